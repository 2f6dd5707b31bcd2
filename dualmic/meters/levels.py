"""Plain levels: RMS and sample peak of every 10 ms, DC offset, how loud the loudest samples are.

``peak_counts`` tells how many samples of each tile of 100 ms reach which level, in steps of a
quarter of a factor of two (at most 1.9 dB, read off by interpolation). From it comes the level that
99.9 % of somebody's speech stays under, once it is known who spoke when. Some 16000 samples a
second are counted, evenly spread: the share of them that reaches a level is that of all.
"""

from dataclasses import dataclass

import numpy as np

from dualmic.stack import Stack, pieces
from dualmic.tiles import (
    TILES_PER_S,
    Floats,
    Mask,
    Powers,
    Span,
    cell_edges,
    cell_products,
    span_edges,
)

# Float32 bit patterns shifted right by 21 keep the exponent and two bits of the mantissa: four
# steps per factor of two. The lowest counted step starts at 2**-10 (-60 dBFS), the highest ends at
# 2**3 (+18 dBFS): levels outside fall into the end steps.
_SHIFT = 21
_LOWEST = int(np.float32(2.0**-10).view(np.int32)) >> _SHIFT
_STEPS = 13 * 4
_STEP_EDGES = (
    ((np.arange(_STEPS + 1) + _LOWEST).astype(np.int64) << _SHIFT).astype(np.int32).view(np.float32)
)

COUNTED_HZ = 16_000  # our choice: a minute of speech has a thousand of them over that level
_TOGETHER = 240  # our choice: 5 ms at 48 kHz; single precision loses no digit that counts in them
_PIECE_TILES = 18_000  # our choice: half an hour, of no influence on results
_ONES = np.ones(_TOGETHER, np.float32)


@dataclass(frozen=True)
class Levels:
    """Levels of every channel.

    ``power`` and ``peak`` are ``(channels, cells)``: mean square and largest absolute sample of
    each 10 ms; ``peak_counts`` is ``(channels, tiles, steps)``; the rest one value a channel.
    """

    power: Powers
    peak: Floats
    sample_peak: Powers
    dc_offset: Powers
    peak_counts: np.ndarray


class LevelMeter:
    """Feeds on spans, keeps the plain levels of each channel. Memory: 7 MB an hour a channel."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        """Start with nothing heard."""
        self._edges = cell_edges(rate_hz)
        self._counts = np.diff(self._edges)
        self._power, self._peak, self._steps = Stack(), Stack(), Stack()
        self._top = np.zeros(channels)
        self._sum = np.zeros(channels)
        self._frames = 0

    def push(self, span: Span) -> None:
        """Take in the next span."""
        samples = span.samples
        sums = cell_products(samples, samples, self._edges)
        self._power.add((sums / self._counts[: sums.shape[1]]).astype(np.float32))
        self._peak.add(span.tops[:, : sums.shape[1]])
        self._top = np.maximum(self._top, span.tops.max(axis=1))
        self._sum += _sums(samples)
        self._steps.add(_count_steps(span.size, span.rate_hz))
        self._frames += span.frames

    def result(self) -> Levels:
        """Return the levels so far."""
        channels = len(self._top)
        return Levels(
            power=self._power.joined((channels, 0)),
            peak=self._peak.joined((channels, 0), np.float32),
            sample_peak=self._top.copy(),
            dc_offset=self._sum / max(self._frames, 1),
            peak_counts=self._steps.joined((channels, 0, _STEPS), np.uint16),
        )


def _sums(samples: Floats) -> Powers:
    """Return the sum of each row; pieces of ``_TOGETHER`` samples in single precision."""
    whole = samples.shape[1] // _TOGETHER * _TOGETHER
    pieces = samples[:, :whole].reshape(len(samples), -1, _TOGETHER) @ _ONES
    rest = samples[:, whole:].sum(axis=1, dtype=np.float64)
    return np.asarray(pieces.sum(axis=1, dtype=np.float64) + rest)


def _count_steps(size: Floats, rate_hz: int) -> np.ndarray:
    """Count the steps of all tiles at once: two threads wait for each other at every call."""
    every = max(1, rate_hz // COUNTED_HZ)
    edges = span_edges(rate_hz, TILES_PER_S)
    edges = -(-edges[edges <= size.shape[1]] // every)
    counted = np.ascontiguousarray(size[:, ::every][:, : edges[-1]])
    channels, tiles = len(size), len(edges) - 1
    step = (counted.view(np.int32) >> _SHIFT) - _LOWEST
    np.clip(step, 0, _STEPS - 1, out=step)
    tile = np.repeat(np.arange(tiles, dtype=np.int32) * _STEPS, np.diff(edges))
    step += tile + np.arange(channels, dtype=np.int32)[:, None] * (tiles * _STEPS)
    counts = np.bincount(step.ravel(), minlength=channels * tiles * _STEPS)
    return counts.astype(np.uint16).reshape(channels, tiles, _STEPS)


def level_exceeded_dbfs(counts: np.ndarray, tiles: Mask, share: float) -> float | None:
    """Return the sample level that only ``share`` of the samples of ``tiles`` exceed, in dBFS.

    Args:
        counts: one channel of :attr:`Levels.peak_counts`, ``(tiles, steps)``.
        tiles: mask of the tiles to look at.
        share: 0.001 for the top 0.1 %.

    """
    chosen = tiles[: len(counts)]
    total = np.zeros(counts.shape[1], np.int64)
    for piece in pieces(len(chosen), _PIECE_TILES):
        total += counts[piece][chosen[piece]].sum(axis=0, dtype=np.int64)
    if not total.sum():
        return None
    above = np.concatenate([np.cumsum(total[::-1])[::-1], [0]]) / total.sum()
    step = int(np.flatnonzero(above >= share)[-1])
    if step >= _STEPS:
        return None
    low, high = 20 * np.log10(_STEP_EDGES[step : step + 2].astype(float))
    inside = (above[step] - share) / max(above[step] - above[step + 1], 1e-12)
    return float(low + (high - low) * inside)
