"""Loudness to ITU-R BS.1770-5, with the EBU's momentary, short-term and range (Tech 3341, 3342).

The meter keeps one number a channel for every 10 ms: the power of the K-weighted signal. All of
loudness is sums of these: 400 ms blocks with 75 % overlap for the integrated value, 400 ms and 3 s
windows sliding by 10 ms for the maxima (case 13 of Tech 3341 cannot be met at 100 ms), 3 s windows
every 100 ms for the range.

K-weighting is applied as the exact frequency response of the standard's filters by overlap-save:
a frame holds 250 ms and the 60 ms before them, after which 1e-13 of the energy of the filters'
impulse response is left.

References:
    ITU-R BS.1770-5 (2023), annex 1: filter coefficients (tables 1 and 2), eq. 1 to 7.
    EBU Tech 3341 (2016), EBU Tech 3342 (2016).

"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy.fft

from dualmic.stack import Stack
from dualmic.tiles import (
    Mask,
    Powers,
    Second,
    cell_edges,
    cell_products,
)

# BS.1770-5 annex 1, eq. 2: the constant that makes a 997 Hz full-scale sine read -3.01 LKFS.
OFFSET_LU = -0.691
ABSOLUTE_GATE_LUFS = -70.0  # BS.1770-5 annex 1, eq. 6
RELATIVE_GATE_LU = -10.0  # BS.1770-5 annex 1, eq. 7
RANGE_GATE_LU = -20.0  # EBU Tech 3342, section 3.1
RANGE_PERCENTILES = (10.0, 95.0)  # EBU Tech 3342, section 3.1

PARTS_PER_S, MEMORY_MS = 4, 60
MOMENTARY_CELLS = 40
SHORT_TERM_CELLS = 300
STEP_CELLS = 10

# BS.1770-5 annex 1, tables 1 and 2: b0 b1 b2 a1 a2 of both stages at 48 kHz.
SHELF_48K = (
    1.53512485958697,
    -2.69169618940638,
    1.19839281085285,
    -1.69065929318241,
    0.73248077421585,
)
HIGH_PASS_48K = (1.0, -2.0, 1.0, -1.99004745483398, 0.99007225036621)


def _redesigned(stage: tuple[float, ...], rate_hz: int) -> tuple[float, ...]:
    """Move a 48 kHz biquad to ``rate_hz``: back to its analogue prototype, forward by bilinear."""
    b0, b1, b2, a1, a2 = stage
    # z = (k + s) / (k - s) with k = 2 fs; numerators and denominators in powers of s.
    k = 2.0 * 48000

    def analogue(c0: float, c1: float, c2: float) -> tuple[float, float, float]:
        return (c0 - c1 + c2) / k**2, 2 * (c0 - c2) / k, c0 + c1 + c2

    def digital(s2: float, s1: float, s0: float, k: float) -> tuple[float, float, float]:
        return s2 * k**2 + s1 * k + s0, 2 * (s0 - s2 * k**2), s2 * k**2 - s1 * k + s0

    # Both stages are prewarped at their own corner frequency, as the standard's were at 48 kHz.
    s2, s1, s0 = analogue(1.0, a1, a2)
    corner = np.sqrt(s0 / s2)
    corner_hz = 48000 / np.pi * np.arctan(corner / k)
    new_k = corner / np.tan(np.pi * corner_hz / rate_hz)
    n0, n1, n2 = digital(*analogue(b0, b1, b2), new_k)
    d0, d1, d2 = digital(s2, s1, s0, new_k)
    return n0 / d0, n1 / d0, n2 / d0, d1 / d0, d2 / d0


def k_weighting_coefficients(rate_hz: int) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Return both stages as (b0, b1, b2, a1, a2); at 48 kHz the published numbers themselves.

    At other rates the same analogue prototype is redesigned by the bilinear transform.
    """
    if rate_hz == 48000:
        return SHELF_48K, HIGH_PASS_48K
    return _redesigned(SHELF_48K, rate_hz), _redesigned(HIGH_PASS_48K, rate_hz)


def k_weighting_response(rate_hz: int, size: int) -> np.ndarray:
    """Return the complex response of K-weighting at the bins of a real FFT of ``size`` points.

    Up to 48 kHz it is the published filter's own response at each frequency, so a recording reads
    the same whatever it was resampled to: a bilinear redesign at 8 kHz would read a 997 Hz tone
    0.2 LU low. Above 48 kHz the redesigned filters continue beyond 24 kHz.
    """
    filter_hz = max(rate_hz, 48000)
    z1 = np.exp(-2j * np.pi * np.arange(size // 2 + 1) / size * (rate_hz / filter_hz))
    response = np.ones(len(z1), complex)
    for b0, b1, b2, a1, a2 in k_weighting_coefficients(filter_hz):
        response *= (b0 + b1 * z1 + b2 * z1**2) / (1 + a1 * z1 + a2 * z1**2)
    return response


@dataclass(frozen=True)
class LoudnessCells:
    """K-weighted mean power of every 10 ms: ``power`` is ``(channels, cells)``, full scale 1."""

    power: Powers


class LoudnessMeter:
    """Feeds on seconds, keeps the K-weighted power of each 10 ms cell of each channel.

    Memory: 4 bytes a cell and channel, 1.4 MB an hour.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        """Prepare the filter for ``rate_hz`` and ``channels`` channels."""
        self._edges = cell_edges(rate_hz)
        self._counts = np.diff(self._edges)
        self._memory = -(-rate_hz * MEMORY_MS // 1000)
        self._part = -(-rate_hz // PARTS_PER_S)
        self._starts = np.round(np.arange(PARTS_PER_S) * rate_hz / PARTS_PER_S).astype(np.int64)
        self._past = np.zeros((channels, self._memory), np.float32)
        # A frame may be longer than memory and part together: zeros behind do no harm.
        self._size = scipy.fft.next_fast_len(self._memory + self._part, real=True)
        self._response = k_weighting_response(rate_hz, self._size).astype(np.complex64)
        self._stack = Stack()

    def push(self, second: Second) -> None:
        """Take in the next second."""
        frames, memory, part = second.frames, self._memory, self._part
        length = memory + int(self._starts[-1]) + part
        long = np.zeros((len(self._past), length), np.float32)
        long[:, :memory] = self._past
        long[:, memory : memory + frames] = second.samples
        self._past = long[:, frames : frames + memory].copy()
        windows = np.lib.stride_tricks.sliding_window_view(long, memory + part, axis=1)
        spectra = scipy.fft.rfft(windows[:, self._starts], self._size, axis=-1)
        spectra *= self._response
        weighted = scipy.fft.irfft(spectra, self._size, axis=-1, overwrite_x=True)
        flat = long  # its samples are done with
        for start, own in zip(self._starts, weighted.transpose(1, 0, 2), strict=True):
            flat[:, start : start + part] = own[:, memory : memory + part]
        sums = cell_products(flat[:, :frames], flat[:, :frames], self._edges)
        self._stack.add((sums / self._counts[: sums.shape[1]]).astype(np.float32))

    def result(self) -> LoudnessCells:
        """Return the power of every whole cell so far."""
        return LoudnessCells(self._stack.joined((len(self._past), 0)))


def loudness_lufs(power: float | np.ndarray) -> np.ndarray:
    """BS.1770-5 eq. 2: loudness of a mean K-weighted power (already summed over channels)."""
    with np.errstate(divide="ignore"):
        return OFFSET_LU + 10 * np.log10(power)


def power_of(lufs: float) -> float:
    """Return the K-weighted power that reads ``lufs``: the inverse of :func:`loudness_lufs`."""
    return float(10 ** ((lufs - OFFSET_LU) / 10))


def sliding_power(cells: Powers, length: int, step: int = 1) -> Powers:
    """Return the mean power of windows of ``length`` cells every ``step`` cells."""
    if len(cells) < length:
        return np.zeros(0)
    total = np.concatenate([[0.0], np.cumsum(cells, dtype=np.float64)])
    return np.maximum((total[length:] - total[:-length])[::step] / length, 0.0)


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
    inside = np.concatenate([[0], np.cumsum(own[: len(cells)])])
    whole = (inside[MOMENTARY_CELLS:] - inside[:-MOMENTARY_CELLS])[::STEP_CELLS] == MOMENTARY_CELLS
    return gated_lufs(blocks[whole[: len(blocks)]]) if len(blocks) else None


def _max_lufs(cells: Powers, length: int) -> float | None:
    windows = sliding_power(cells, length)
    if not len(windows) or windows.max() <= 0:
        return None
    return float(loudness_lufs(windows.max()))


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
