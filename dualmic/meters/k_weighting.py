"""K-weighting of ITU-R BS.1770-5 for sound that comes a span at a time.

Two ways lead to the same values. At 48 kHz and above the standard's two filters run as what they
are, recursive filters, a block at a time: what a block of samples adds to its own output and to
the filters' state is a matrix, and the states of all blocks follow from each other by powers of
another (a scan: every block adds that of the block 1, 2, 4, ... before it). Below 48 kHz the
filters are known by their frequency response alone, which is applied by overlap-save: a frame
holds 250 ms and the 60 ms before them, after which 1e-13 of the energy of the filters' impulse
response is left.

References:
    ITU-R BS.1770-5 (2023), annex 1: filter coefficients (tables 1 and 2).
    W. D. Hillis and G. L. Steele, Data Parallel Algorithms (1986), for the scan (from memory).

"""

from typing import Protocol

import numpy as np

from dualmic.meters.fft import fast_length, irfft, rfft
from dualmic.tiles import Floats, span_edges

PUBLISHED_HZ = 48000
PARTS_PER_S, MEMORY_MS = 4, 60
# Our choice: longer blocks cost more in the matrix, shorter ones more in the scan.
LONGEST_BLOCK, SHORTEST_BLOCK = 64, 32
FORGOTTEN = 1e-18  # what is left of a state by then changes no digit

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


class KWeighting(Protocol):
    """What weights span after span."""

    def weighted(self, samples: Floats) -> Floats:
        """Return the next span ``(channels, frames)`` weighted; a short one is the last."""


def k_weighting(rate_hz: int, channels: int) -> KWeighting:
    """Return K-weighting for a sample rate."""
    lengths = range(SHORTEST_BLOCK, LONGEST_BLOCK + 1)
    blocks = [length for length in lengths if rate_hz % length == 0]
    if rate_hz >= PUBLISHED_HZ and blocks:
        return Recursive(rate_hz, channels, blocks[-1])
    return ByResponse(rate_hz, channels)


class Recursive:
    """The filters themselves, a block of samples at a time."""

    def __init__(self, rate_hz: int, channels: int, block: int) -> None:
        """Work out the matrices; ``block`` is a divisor of ``rate_hz``."""
        step, to_state, from_state, through = _balanced(
            *_state_space(k_weighting_coefficients(rate_hz))
        )
        powers = [np.eye(len(step))]
        for _ in range(block):
            powers.append(powers[-1] @ step)
        response = np.array([through, *(float(from_state @ p @ to_state) for p in powers[:-2])])
        matrix = np.zeros((block + len(step), block))
        for late in range(block):
            matrix[np.arange(block - late), np.arange(late, block)] = response[late]
        matrix[block:] = np.stack([from_state @ p for p in powers[:-1]], axis=1)
        # Rows: the samples of a block and the state before it. Columns: its output.
        self._matrix = matrix.astype(np.float32)
        self._to_state = np.stack([p @ to_state for p in powers[-2::-1]]).astype(np.float32)
        self._decays = []
        decay = powers[-1]
        while np.abs(decay).max() > FORGOTTEN:
            self._decays.append(np.ascontiguousarray(decay.T))
            decay = decay @ decay
        self._block = block
        self._state = np.zeros((channels, len(step)))

    def weighted(self, samples: Floats) -> Floats:
        """Return the next span ``(channels, frames)`` weighted; a short one is the last."""
        channels, frames = samples.shape
        block = self._block
        count = -(-frames // block)
        if count * block != frames:
            samples = np.pad(samples, ((0, 0), (0, count * block - frames)))
        cut = samples.reshape(channels, count, block)
        # The state before each block, and that after the last.
        states = np.empty((channels, count + 1, self._state.shape[1]))
        states[:, 0] = self._state
        states[:, 1:] = cut @ self._to_state
        back = 1
        for decay in self._decays:
            if back > count:
                break
            states[:, back:] += states[:, :-back] @ decay
            back *= 2
        self._state = states[:, -1].copy()
        both = np.concatenate([cut, states[:, :-1].astype(np.float32)], axis=2)
        return (both @ self._matrix).reshape(channels, -1)[:, :frames]


class ByResponse:
    """The frequency response of the filters, by overlap-save."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        """Sample the response."""
        self._memory = -(-rate_hz * MEMORY_MS // 1000)
        self._part = -(-rate_hz // PARTS_PER_S)
        self._starts = span_edges(rate_hz, PARTS_PER_S)[:-1]
        self._past = np.zeros((channels, self._memory), np.float32)
        self._size = fast_length(self._memory + self._part)
        self._response = k_weighting_response(rate_hz, self._size).astype(np.complex64)

    def weighted(self, samples: Floats) -> Floats:
        """Return the next span ``(channels, frames)`` weighted; a short one is the last."""
        frames, memory, part = samples.shape[1], self._memory, self._part
        starts = self._starts[self._starts < frames]
        long = np.zeros((len(samples), int(starts[-1]) + self._size), np.float32)
        long[:, :memory] = self._past
        long[:, memory : memory + frames] = samples
        self._past = long[:, frames : frames + memory].copy()
        windows = np.lib.stride_tricks.sliding_window_view(long, self._size, axis=1)
        spectra = rfft(windows[:, starts])
        spectra *= self._response
        weighted = irfft(spectra, self._size)
        flat = long  # its samples are done with
        for start, own in zip(starts, weighted.transpose(1, 0, 2), strict=True):
            flat[:, start : start + part] = own[:, memory : memory + part]
        return flat[:, :frames]


def _state_space(
    stages: tuple[tuple[float, ...], ...],
) -> tuple[np.ndarray, np.ndarray, np.ndarray, float]:
    """Return both stages in a row as x' = A x + b u, y = c x + d u: A, b, c and d.

    Each stage is a transposed direct form II: y = b0 u + x1, x1' = x2 + b1 u - a1 y,
    x2' = b2 u - a2 y.
    """
    step, to_state, from_state, through = np.zeros((0, 0)), np.zeros(0), np.zeros(0), 1.0
    for b0, b1, b2, a1, a2 in stages:
        own = np.array([[-a1, 1.0], [-a2, 0.0]])
        into = np.array([b1 - a1 * b0, b2 - a2 * b0])
        size = len(step)
        wider = np.zeros((size + 2, size + 2))
        wider[:size, :size] = step
        wider[size:, :size] = np.outer(into, from_state)
        wider[size:, size:] = own
        step = wider
        to_state = np.concatenate([to_state, into * through])
        from_state = np.concatenate([b0 * from_state, [1.0, 0.0]])
        through *= b0
    return step, to_state, from_state, through


def _balanced(
    step: np.ndarray, to_state: np.ndarray, from_state: np.ndarray, through: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray, float]:
    """Return the same filter with states of equal size that hiss moves independently.

    In single precision, an offset would leave fifty times the rounding error otherwise.
    """
    size, power = np.outer(to_state, to_state), step
    while np.abs(power).max() > FORGOTTEN:  # their covariance, by doubling the time looked at
        size = size + power @ size @ power.T
        power = power @ power
    root = np.linalg.cholesky(size)
    back = np.linalg.inv(root)
    return back @ step @ root, back @ to_state, from_state @ root, through
