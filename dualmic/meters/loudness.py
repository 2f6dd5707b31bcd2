"""Loudness to ITU-R BS.1770-5, with the EBU's momentary, short-term and range (Tech 3341, 3342).

The meter keeps one number a channel for every 10 ms: the power of the K-weighted signal. All of
loudness is sums of these: 400 ms blocks with 75 % overlap for the integrated value, 400 ms and 3 s
windows sliding by 10 ms for the maxima (case 13 of Tech 3341 cannot be met at 100 ms), 3 s windows
every 100 ms for the range.

References:
    ITU-R BS.1770-5 (2023), annex 1: filter coefficients (tables 1 and 2), eq. 1 to 7.
    EBU Tech 3341 (2023), EBU Tech 3342 (2023).

"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dualmic.meters.k_weighting import k_weighting
from dualmic.stack import Stack, pieces
from dualmic.tiles import (
    Mask,
    Powers,
    Span,
    cell_edges,
    cell_products,
)

# BS.1770-5 annex 1, eq. 2: the constant that makes a 997 Hz full-scale sine read -3.01 LKFS.
OFFSET_LU = -0.691
ABSOLUTE_GATE_LUFS = -70.0  # BS.1770-5 annex 1, eq. 6
RELATIVE_GATE_LU = -10.0  # BS.1770-5 annex 1, eq. 7
RANGE_GATE_LU = -20.0  # EBU Tech 3342, section 3.1
RANGE_PERCENTILES = (10.0, 95.0)  # EBU Tech 3342, section 3.1

MOMENTARY_CELLS = 40
SHORT_TERM_CELLS = 300
STEP_CELLS = 10
_PIECE_CELLS = 100_000  # our choice, of no influence on results


@dataclass(frozen=True)
class LoudnessCells:
    """K-weighted mean power of every 10 ms: ``power`` is ``(channels, cells)``, full scale 1."""

    power: Powers


class LoudnessMeter:
    """Feeds on spans, keeps the K-weighted power of each 10 ms cell of each channel.

    Memory: 4 bytes a cell and channel, 1.4 MB an hour.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        """Prepare the filter for ``rate_hz`` and ``channels`` channels."""
        self._edges = cell_edges(rate_hz)
        self._counts = np.diff(self._edges)
        self._weighting = k_weighting(rate_hz, channels)
        self._channels = channels
        self._stack = Stack()

    def push(self, span: Span) -> None:
        """Take in the next span."""
        weighted = self._weighting.weighted(span.samples)
        sums = cell_products(weighted, weighted, self._edges)
        self._stack.add((sums / self._counts[: sums.shape[1]]).astype(np.float32))

    def result(self) -> LoudnessCells:
        """Return the power of every whole cell so far."""
        return LoudnessCells(self._stack.joined((self._channels, 0)))


def loudness_lufs(power: float | np.ndarray) -> np.ndarray:
    """BS.1770-5 eq. 2: loudness of a mean K-weighted power (already summed over channels)."""
    with np.errstate(divide="ignore"):
        return OFFSET_LU + 10 * np.log10(power)


def power_of(lufs: float) -> float:
    """Return the K-weighted power that reads ``lufs``: the inverse of :func:`loudness_lufs`."""
    return float(10 ** ((lufs - OFFSET_LU) / 10))


def sliding_power(cells: Powers, length: int, step: int = 1) -> Powers:
    """Return the mean power of windows of ``length`` cells every ``step`` (divides it) cells."""
    if len(cells) < length:
        return np.zeros(0)
    sums = cells
    if step > 1:
        sums = cells[: len(cells) // step * step].reshape(-1, step).sum(axis=1, dtype=np.float64)
    total = np.zeros(len(sums) + 1)
    np.cumsum(sums, dtype=np.float64, out=total[1:])
    power = total[length // step :] - total[: -(length // step)]
    power /= length
    return np.maximum(power, 0.0, out=power)


def gated_lufs(blocks: Powers) -> float | None:
    """Integrated loudness of 400 ms block powers, both gates (BS.1770-5 eq. 5 to 7)."""
    loud = blocks[blocks > power_of(ABSOLUTE_GATE_LUFS)]
    if not len(loud):
        return None
    gate = loud.mean() * 10 ** (RELATIVE_GATE_LU / 10)
    return float(loudness_lufs(loud[loud > gate].mean()))


def integrated_lufs(cells: Powers) -> float | None:
    """Integrated loudness of one programme's cell powers (channels already summed), or None."""
    return gated_lufs(sliding_power(cells, MOMENTARY_CELLS, STEP_CELLS))


def speech_lufs(cells: Powers, own: Mask) -> float | None:
    """Integrated loudness of the 400 ms blocks that lie wholly inside ``own`` (a mask of cells)."""
    blocks = sliding_power(cells, MOMENTARY_CELLS, STEP_CELLS)
    if not len(blocks):
        return None
    steps = own[: len(cells) // STEP_CELLS * STEP_CELLS].reshape(-1, STEP_CELLS).all(axis=1)
    whole = np.lib.stride_tricks.sliding_window_view(steps, MOMENTARY_CELLS // STEP_CELLS)
    return gated_lufs(blocks[whole.all(axis=1)])


def _max_lufs(cells: Powers, length: int) -> float | None:
    if len(cells) < length:
        return None
    # A piece at a time: a take of hours has millions of windows.
    windows = pieces(len(cells) - length + 1, _PIECE_CELLS)
    near = (cells[piece.start : piece.stop + length - 1] for piece in windows)
    top = max(float(sliding_power(part, length).max()) for part in near)
    return float(loudness_lufs(top)) if top > 0 else None


def max_momentary_lufs(cells: Powers) -> float | None:
    """Loudest 400 ms, looked for every 10 ms (EBU Tech 3341)."""
    return _max_lufs(cells, MOMENTARY_CELLS)


def max_short_term_lufs(cells: Powers) -> float | None:
    """Loudest 3 s, looked for every 10 ms (EBU Tech 3341)."""
    return _max_lufs(cells, SHORT_TERM_CELLS)


def range_lu(cells: Powers, step_cells: int = STEP_CELLS) -> float | None:
    """Loudness range (EBU Tech 3342): spread of gated short-term values, one every ``step_cells``.

    ``step_cells=100`` is the grid of 1 s that libebur128 uses. The percentiles are values of the
    nearest rank, halves rounded up, as in the standard's own code (Tech 3342, section 5).
    """
    windows = sliding_power(cells, SHORT_TERM_CELLS, step_cells)
    loud = windows[windows >= power_of(ABSOLUTE_GATE_LUFS)]
    if not len(loud):
        return None
    kept = np.sort(loud[loud >= loud.mean() * 10 ** (RANGE_GATE_LU / 10)])
    ranks = [int((len(kept) - 1) * percentile / 100 + 0.5) for percentile in RANGE_PERCENTILES]
    low, high = loudness_lufs(kept[ranks])
    return float(high - low)


def programme_cells(power: Powers, weights: Sequence[float] | None = None) -> Powers:
    """Sum channels to one programme (BS.1770-5 eq. 3), weights 1.0 unless given."""
    if weights is None:
        return power.sum(axis=0)
    return np.asarray(weights) @ power
