"""What two channels have in common: how wide a programme is, and what is left of it in mono.

The meter keeps the power of each channel and their product for every 10 ms. From these come the
level of the mono sum against its parts, and the stretches in which both channels carry one signal.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from dualmic.meters.masks import bridged, longer, mask_of, runs_of
from dualmic.stack import Stack, pieces
from dualmic.tiles import (
    CELLS_PER_TILE,
    TILES_PER_S,
    Floats,
    Mask,
    Powers,
    Span,
    cell_edges,
    cell_products,
)

# Dual mono: what the best gain of one channel leaves of both, over so long.
DUAL_MONO_DB = -30.0
DUAL_MONO_TILES = 5 * TILES_PER_S
# Our choices: in windows of five seconds a pause in which channels differ hides behind words; of
# two microphones no tenth of a second leaves as little in each of its cells.
EDGE_DB, EDGE_CELLS = -20.0, CELLS_PER_TILE
# Our choices: equal to the ear, and plainly not.
ONE_SIGNAL_CORRELATION = 0.99
ONE_SIGNAL_DB = 1.0
WIDE_CORRELATION = 0.9
SILENCE_POWER = 1e-6  # -60 dBFS: too soft to tell anything from
_LEAST_BESIDE_OFFSET = 0.1  # our choice
_ALL_AND_ROUNDING = 1.001  # of what can be in common
_TOGETHER = 36_000  # cells or steps, of no influence on results
_SILENT = 1e-13  # -130 dBFS: digital silence, float32 rounding of an offset's removal included


@dataclass(frozen=True)
class Width:
    """Sums over each 10 ms: squares of the left and the right channel, and their product."""

    left: Floats
    right: Floats
    product: Floats

    def mono_sum_db(self) -> float | None:
        """Return ``10 log10(P(L+R) / (P(L) + P(R)))``, -120 dB at the least.

        Equal channels read +3.01 dB, unrelated ones 0; None for silence.
        """
        left, right, product = (
            float(part.sum(dtype=np.float64)) for part in (self.left, self.right, self.product)
        )
        parts = left + right
        if parts <= 0:
            return None
        together = parts + 2.0 * product
        return 10.0 * math.log10(max(together / parts, 1e-12))

    def one_signal(self) -> Mask:
        """Return the cells in which both channels carry one signal at one level."""
        return self._told(_is_one_signal)

    def wide(self) -> Mask:
        """Return the cells in which the channels plainly differ."""
        return self._told(lambda part: part._is_loud() & (part._correlation() < WIDE_CORRELATION))

    def heard(self) -> Mask:
        """Return the cells that are loud enough to tell."""
        return self._told(Width._is_loud)

    def _told(self, tell: Callable[["Width"], Mask]) -> Mask:
        """Return what ``tell`` says of every cell, asked some minutes at a time."""
        told = np.zeros(len(self.left), bool)
        for part in pieces(len(told), _TOGETHER):
            told[part] = tell(Width(self.left[part], self.right[part], self.product[part]))
        return told

    def _is_loud(self) -> Mask:
        loud: Mask = np.maximum(self.left, self.right) > SILENCE_POWER
        return loud

    def residual_db(self, length: int, step: int, dc: tuple[float, float]) -> Powers:
        """Return 10 log10 of the share of power that the best gain of one channel leaves of both.

        Args:
            length: cells of each window, a multiple of ``step``.
            step: cells from one window to the next.
            dc: mean of each channel, which is no signal they could share.

        Where a channel is silent there is nothing to compare: 0 dB.

        """
        if len(self.left) < length:
            return np.zeros(0)
        left, right, product = _sliding_means((self.left, self.right, self.product), length, step)
        a, b, ab = left - dc[0] ** 2, right - dc[1] ** 2, product - dc[0] * dc[1]
        # Of what is hardly more than an offset nobody knows how much the offset is there.
        live = (a > max(_SILENT, _LEAST_BESIDE_OFFSET * dc[0] ** 2)) & (
            b > max(_SILENT, _LEAST_BESIDE_OFFSET * dc[1] ** 2)
        )
        common = np.where(live, ab**2 / np.where(live, a * b, 1.0), 0.0)
        share = np.where(common < _ALL_AND_ROUNDING, 1 - common, 1.0)
        return 10 * np.log10(np.clip(share, 1e-12, 1.0))

    def dual_mono(self, dc: tuple[float, float]) -> list[tuple[int, int, float]]:
        """Return (first cell, cell after, residual in dB) of all that is one signal for long.

        Args:
            dc: mean of each channel, as for :meth:`residual_db`.

        """
        residual = self.residual_db(DUAL_MONO_TILES * CELLS_PER_TILE, CELLS_PER_TILE, dc)
        alike = np.flatnonzero(residual < DUAL_MONO_DB)
        tiles = len(self.left) // CELLS_PER_TILE
        mask = bridged(mask_of(alike, alike + DUAL_MONO_TILES, tiles), DUAL_MONO_TILES)
        found = []
        for start, end in zip(*runs_of(mask), strict=True):
            inside = residual[start : max(end - DUAL_MONO_TILES + 1, start + 1)]
            last = len(self.left) if end == tiles else int(end) * CELLS_PER_TILE
            edges = self._without_beside(int(start) * CELLS_PER_TILE, last)
            found.append((*edges, float(np.median(inside))))
        return found

    def _without_beside(self, start: int, end: int) -> tuple[int, int]:
        """Return a stretch of one signal without what long windows hold beside it."""
        reach = DUAL_MONO_TILES * CELLS_PER_TILE + 2 * EDGE_CELLS
        start += int(self._alike(start, min(start + reach, end)).argmax())
        end -= int(self._alike(max(end - reach, start), end)[::-1].argmax())
        return start, end

    def _alike(self, start: int, end: int) -> Mask:
        """Return which cells lie in a tenth of a second or more of one signal, or of silence."""
        part = Width(self.left[start:end], self.right[start:end], self.product[start:end])
        # What the mean of the whole take says of an offset may be clipping elsewhere.
        alike = part.residual_db(1, 1, (0.0, 0.0)) < EDGE_DB
        return longer(alike | (np.maximum(part.left, part.right) <= _SILENT), EDGE_CELLS)

    def _correlation(self) -> Powers:
        scale = np.sqrt(self.left * self.right)
        return self.product / np.maximum(scale, 1e-20)


def _is_one_signal(width: Width) -> Mask:
    with np.errstate(divide="ignore", invalid="ignore"):
        apart_db = np.abs(10.0 * np.log10(width.left / width.right))
    alike = width._correlation() > ONE_SIGNAL_CORRELATION
    return width._is_loud() & alike & (apart_db < ONE_SIGNAL_DB)


def _sliding_means(rows: Sequence[Floats], length: int, step: int) -> Powers:
    """Return the means of ``length`` cells every ``step`` cells, a divisor of ``length``."""
    steps = len(rows[0]) // step
    total = np.zeros((len(rows), steps + 1))
    for part in pieces(steps, _TOGETHER):
        for row, sums in zip(rows, total[:, 1:], strict=True):
            cells = row[part.start * step : part.stop * step].reshape(-1, step)
            cells.sum(axis=1, dtype=np.float64, out=sums[part])
    np.cumsum(total, axis=1, out=total)
    return (total[:, length // step :] - total[:, : -(length // step)]) / length


class WidthMeter:
    """Feeds on spans; compares two channels of them."""

    def __init__(self, rate_hz: int, pair: tuple[int, int] = (0, 1)) -> None:
        """Compare the channels ``pair``, counted from 0."""
        self._pair = pair
        self._edges = cell_edges(rate_hz)
        self._counts = np.diff(self._edges)
        self._stack = Stack()

    def push(self, span: Span) -> None:
        """Take in the next span."""
        left, right = (span.samples[channel] for channel in self._pair)
        pairs = ((left, left), (right, right), (left, right))
        sums = np.stack([cell_products(a, b, self._edges) for a, b in pairs])
        self._stack.add((sums / self._counts[: sums.shape[1]]).astype(np.float32))

    def result(self) -> Width:
        """Return the means of every whole cell so far."""
        left, right, product = self._stack.joined((3, 0), np.float32)
        return Width(left, right, product)
