"""Tops that are square though no two samples of them are equal: what clipped before this file.

A converter's own noise, a codec, a later change of level or rate, and inputs that bend before they
cut all leave no run of equal samples (those are found by ``clipping.py``). What they do leave is
the shape. Of the time a half wave spends over half its peak, it spends a third within half a
decibel of the peak if it is a sine, less if it is a voice, which ripples; cut off, most of it. Half
waves of untouched sound that come out square by chance are few, and lie at all levels; those that
were cut lie at one, which hardly anything exceeds. Each half wave is looked at by itself, for many
inputs cut one of them first. Where the ceiling lies is told at the end of the take
(``top_ceilings.py``).
"""

from dataclasses import dataclass

import numpy as np

from dualmic.meters.corners import HIGH, cornered
from dualmic.stack import Stack
from dualmic.tiles import Floats, Span, cell_edges

# Our choices. Half a decibel, and the rise that leads up to it; of untouched speech less than one
# cell in five hundred spends six tenths of that time up there, of cut tops a quarter and more.
TOP_SHARE, RISE_SHARE, SQUARE = 0.944, 0.5, 0.6
# A codec bends tops by a decibel and more: then the upper fifteen per cent are looked at.
BENT_SHARE = 0.85
LONGEST_SHARE = 0.7  # of a cell over half its peak: slower than any voice, its shape is not seen
# Half waves far under the loud ones so far need no look: no ceiling of theirs would be the take's.
# Loud is what cells of half a second reach together: a slate or a knock on the table is shorter.
LOUD_DB, LOUD_CELLS = 10.0, 50
_LOUD = 10 ** (-LOUD_DB / 20)
STEP_DB, HIGHEST_DBFS = 0.2, 3.0  # codecs overshoot full scale
LEVELS = 255  # down to -48 dBFS
SHAPES = 20  # classes of a share from 0 to 1
SQUARE_CLASS = round(SQUARE * SHAPES)
# Of cells that spend so much of that time up there it is told how often they turn.
WIDE_SHARE = 0.3  # our choice
_WIDE_CLASS = round(WIDE_SHARE * SHAPES)
# Our choice: what spends less of that time in its upper fifteen per cent was not cut itself.
NARROW_SHARE = 0.2
_NARROW_CLASS = round(NARROW_SHARE * SHAPES)


@dataclass(frozen=True)
class TopShapes:
    """How square the loudest half waves are.

    ``level``, of upper and lower half waves, ``(channels, cells)`` each: the step (of 0.2 dB, 1 for
    the highest) of the peak of each loud cell, 0 for narrow ones and others; ``square`` and
    ``bent`` ``(channels, 2, levels, shapes)``: how many cells of each level have which shape, by
    the upper half decibel and the upper fifteen per cent; ``cells`` ``(channels, 2, levels)``: how
    many there are, slow ones too; ``flat`` ``(channels, 2, levels)``: frames that the square ones
    hold; ``turns`` ``(channels, 2, levels, 2)``: of the wide ones, how often their upper fifteen
    per cent turn, and frames of those; ``cell_frames``: frames of a cell; ``is_exact``: samples are
    as they were converted; ``corner_frames`` ``(channels, cells)``: what tops with
    corners hold, see ``corners.py``.
    """

    level: tuple[np.ndarray, np.ndarray]
    square: np.ndarray
    bent: np.ndarray
    cells: np.ndarray
    flat: np.ndarray
    turns: np.ndarray
    cell_frames: int
    is_exact: bool
    corner_frames: np.ndarray


class SquareTopMeter:
    """Feeds on spans, keeps shapes by level, levels by cell. Memory: 0.7 MB an hour and channel."""

    def __init__(self, rate_hz: int, channels: int, *, is_exact: bool) -> None:
        """Start with nothing heard; ``is_exact``: samples are as they were converted."""
        self._is_exact = is_exact
        edges = cell_edges(rate_hz)
        self._starts = edges[:-1]
        # Where cells differ by a frame, all are taken as long as the shorter ones.
        self._width = int(np.diff(edges).min())
        self._is_even = bool(np.diff(edges).max() == self._width)
        # The loudest peaks so far of each half wave, the lowest of them first.
        self._loudest = np.zeros((channels, 2, LOUD_CELLS), np.float32)
        self._square = np.zeros((channels, 2, LEVELS + 1, SHAPES + 1), np.int64)
        self._bent = np.zeros_like(self._square)
        self._cells = np.zeros((channels, 2, LEVELS + 1), np.int64)
        self._flat = np.zeros((channels, 2, LEVELS + 1))
        self._turns = np.zeros((channels, 2, LEVELS + 1, 2), np.int64)
        self._level = [Stack(), Stack()]
        self._rate_hz = rate_hz
        self._corner_frames = Stack()

    def push(self, span: Span) -> None:
        """Take in the next span."""
        count = int(np.searchsorted(self._starts + self._width, span.frames, side="right"))
        levels = np.zeros((2, len(span.samples), count), np.uint8)
        corner_frames = np.zeros((len(span.samples), count), np.uint16)
        inside = np.arange(self._width)
        for channel, row in enumerate(span.samples):
            # What is no louder than this is loud in neither half wave.
            least = self._loudest[channel, :, 0].min() * _LOUD
            loud = np.flatnonzero(span.tops[channel, :count] > least)
            if not len(loud):
                continue
            if self._is_even:
                waves = row[: count * self._width].reshape(count, self._width)[loud]
            else:
                waves = row[self._starts[loud][:, None] + inside]
            usual = float(self._loudest[channel, :, 0].max())
            peaks = waves.max(axis=1), -waves.min(axis=1)
            tall = np.flatnonzero(np.maximum(*peaks) > HIGH * usual)
            corner_frames[channel, loud[tall]] = cornered(waves[tall], usual, self._rate_hz)
            for half, peak in enumerate(peaks):
                loudest = self._loudest[channel, half]
                loudest[:] = np.sort(np.concatenate([loudest, peak]))[-LOUD_CELLS:]
                high = np.flatnonzero(peak > loudest[0] * _LOUD)
                these = waves[high] if half == 0 else -waves[high]
                levels[half, channel, loud[high]] = self._add(channel, half, these, peak[high])
        for half in (0, 1):
            self._level[half].add(levels[half])
        self._corner_frames.add(corner_frames)

    def _add(self, channel: int, half: int, waves: Floats, peak: Floats) -> np.ndarray:
        """Count the upper half waves of ``(cells, frames)``; return the step of each peak."""
        below = (HIGHEST_DBFS - 20 * np.log10(peak)) / STEP_DB
        level = np.clip(np.floor(below) + 1, 1, LEVELS).astype(np.int64)
        level[below >= LEVELS - 1] = 0
        top, rise = _above(waves, peak, TOP_SHARE), _above(waves, peak, RISE_SHARE)
        seen = (level > 0) & (rise < LONGEST_SHARE * self._width)
        at, held, rise = level[seen], top[seen], rise[seen]
        shape = held * SHAPES // rise
        np.add.at(self._square[channel, half], (at, shape), 1)
        np.add.at(self._flat[channel, half], at, np.where(shape >= SQUARE_CLASS, held, 0))
        bent = _above(waves, peak, BENT_SHARE)[seen] * SHAPES // rise
        np.add.at(self._bent[channel, half], (at, bent), 1)
        which = np.flatnonzero(seen)
        wide = which[bent >= _WIDE_CLASS]
        turns = _turns(waves[wide], BENT_SHARE * peak[wide])
        np.add.at(self._turns[channel, half], level[wide], turns)
        self._cells[channel, half] += np.bincount(level[level > 0], minlength=LEVELS + 1)
        level[which[bent < _NARROW_CLASS]] = 0
        return level.astype(np.uint8)

    def result(self) -> TopShapes:
        """Return the shapes so far."""
        channels = len(self._cells)
        upper, lower = (stack.joined((channels, 0), np.uint8) for stack in self._level)
        return TopShapes(
            (upper, lower),
            self._square.copy(),
            self._bent.copy(),
            self._cells.copy(),
            self._flat.copy(),
            self._turns.copy(),
            self._width,
            self._is_exact,
            self._corner_frames.joined((channels, 0), np.uint16),
        )


def _above(waves: Floats, peak: Floats, share: float) -> np.ndarray:
    """Return how many frames of each row reach a share of its peak."""
    return np.asarray((waves >= (share * peak)[:, None]).sum(axis=1, dtype=np.int32))


def _turns(waves: Floats, least: Floats) -> np.ndarray:
    """Return how often rows ``(cells, frames)`` turn over a level, and for how many frames."""
    over = waves >= least[:, None]
    rises = waves[:, 1:] > waves[:, :-1]
    turns = (rises[:, 1:] != rises[:, :-1]) & over[:, 1:-1]
    return np.stack([each.sum(axis=1, dtype=np.int32) for each in (turns, over)], axis=1)
