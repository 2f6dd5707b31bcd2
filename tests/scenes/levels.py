"""Levels the truth is stated in, computed apart from the tool under test.

Goal: say how strong one known part of a scene is, plain, K-weighted and A-weighted. The filters are
written from the standards with ``scipy.signal`` and share no code with ``dualmic``.

References: ITU-R BS.1770-5 annex 1 tables 1 and 2 (48 kHz coefficients); IEC 61672-1 annex E
(A-weighting, analytical form).
"""

from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import fft, signal

from scenes.model import FRAME_S, SAMPLE_RATE_HZ

FRAME = round(FRAME_S * SAMPLE_RATE_HZ)

_K_SHELF = (
    [1.53512485958697, -2.69169618940638, 1.19839281085285],
    [1.0, -1.69065929318241, 0.73248077421585],
)
_K_HIGH_PASS = ([1.0, -2.0, 1.0], [1.0, -1.99004745483398, 0.99007225036621])

Array = npt.NDArray[np.floating]


def db(power: float) -> float | None:
    """Return 10 log10 of a power, or ``None`` for none."""
    return float(10 * np.log10(power)) if power > 0 else None


def k_weighted(samples: Array) -> Array:
    """Filter one channel ``(frames,)`` at 48 kHz with the K-weighting."""
    return signal.lfilter(*_K_HIGH_PASS, signal.lfilter(*_K_SHELF, samples))


def a_weighting(frequency_hz: Array) -> Array:
    """Return the A-weighting's power gain at each frequency; 1 at 1 kHz (IEC 61672-1 annex E)."""
    f2 = np.asarray(frequency_hz, float) ** 2
    gain = (
        12194.217**2
        * f2**2
        / (
            (f2 + 20.598997**2)
            * np.sqrt((f2 + 107.65265**2) * (f2 + 737.86223**2))
            * (f2 + 12194.217**2)
        )
    )
    return (gain * 10 ** (2.0 / 20)) ** 2


def frame_power(samples: Array) -> Array:
    """Return the mean square of each whole 10 ms frame of ``(frames,)``."""
    count = len(samples) // FRAME
    return np.mean(np.square(samples[: count * FRAME].reshape(count, FRAME)), axis=1, dtype=float)


def power_in(samples: Array, mask: npt.NDArray[np.bool_]) -> float | None:
    """Return the mean square of ``(frames,)`` in the frames of ``mask``; ``None`` for none."""
    power = frame_power(samples)
    mask = mask[: len(power)]
    return float(power[mask].mean()) if mask.any() else None


def total_power(samples: Array, weighting: str) -> float:
    """Return the weighted energy of ``(frames,)`` over its length, by Parseval's theorem."""
    size = fft.next_fast_len(len(samples), real=True)
    spectrum = fft.rfft(samples.astype(np.float32), size)
    energy = np.square(np.abs(spectrum)) @ _power_gain(size, weighting)
    return float(2 * energy / size / len(samples))


def noise_power(samples: Array, mask: npt.NDArray[np.bool_], weighting: str) -> float | None:
    """Return the power of noise in the frames of ``mask``; ``None`` where none is long enough.

    Args:
        samples: one channel ``(frames,)`` at 48 kHz.
        mask: one bool per 10 ms frame; 0.2 s blocks wholly inside it are used.
        weighting: ``"flat"`` (20 Hz to 20 kHz) or ``"A"`` (the same band).

    """
    good = np.convolve(mask, np.ones(_BLOCK // FRAME), "valid") > _BLOCK // FRAME - 0.5
    starts = np.flatnonzero(good)
    starts = starts[np.concatenate(([True], np.diff(starts // 10) > 0))] if len(starts) else starts
    starts = starts[(starts * FRAME + _BLOCK) <= len(samples)]
    if not len(starts):
        return None
    window = np.hanning(_BLOCK + 1)[:-1].astype(np.float32)
    rows = np.stack([samples[at * FRAME : at * FRAME + _BLOCK] for at in starts]) * window
    spectrum = np.square(np.abs(fft.rfft(rows.astype(np.float32), axis=1)))
    energy = spectrum.mean(axis=0) @ _power_gain(_BLOCK, weighting)
    return float(2 * energy / _BLOCK / np.sum(np.square(window)))


_BLOCK = 20 * FRAME


@lru_cache(maxsize=8)
def _power_gain(size: int, weighting: str) -> npt.NDArray[np.float32]:
    frequency_hz = fft.rfftfreq(size, 1 / SAMPLE_RATE_HZ)
    gain = a_weighting(frequency_hz) if weighting == "A" else np.ones_like(frequency_hz)
    gain[(frequency_hz < 20) | (frequency_hz > 20_000)] = 0.0
    return gain.astype(np.float32)
