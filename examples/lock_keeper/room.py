"""The place of the demo: how a voice reaches a microphone there, and the sound of the canal.

Everything is mono float64 at 48 kHz and drawn from the random generator handed in, so that the
same seed always gives the same take. The figures are ours, chosen to be plausible for two lapel
microphones on a bench beside a lock.
"""

import numpy as np
from scipy import fft, signal

RATE_HZ = 48_000
TAIL_S = 0.30
"""Time in which the reverberation falls by 60 dB: a bench against a cottage wall, half outdoors."""


def gain(level_db: float) -> float:
    """Return the amplitude factor of a level in decibels."""
    return float(10 ** (level_db / 20))


def rms(samples: np.ndarray) -> float:
    """Return the root mean square of ``samples``."""
    return float(np.sqrt(np.mean(np.square(samples))))


def full_band(voice: np.ndarray, rate_hz: int, rng: np.random.Generator) -> np.ndarray:
    """Resample a synthetic voice to 48 kHz and give it breath above where its synthesis ends.

    The breath is noise that follows the voice's own hiss (5.6 to 10 kHz), so that an ``s`` reaches
    up to 18 kHz as a real one does and a vowel hardly does.
    """
    divisor = np.gcd(RATE_HZ, rate_hz)
    wide = signal.resample_poly(voice, RATE_HZ // divisor, rate_hz // divisor)
    hiss = signal.sosfilt(signal.butter(4, [5600, 10_000], "band", fs=RATE_HZ, output="sos"), wide)
    smooth = signal.butter(2, 30, fs=RATE_HZ, output="sos")
    envelope = np.sqrt(np.maximum(signal.sosfiltfilt(smooth, hiss**2), 0))
    high = signal.butter(4, [8000, 18000], "band", fs=RATE_HZ, output="sos")
    return wide + 0.7 * envelope * signal.sosfilt(high, rng.standard_normal(len(wide)))


def impulse_response(
    delay_s: float, direct: float, reflections: int, rng: np.random.Generator
) -> np.ndarray:
    """Return a room impulse response of unit energy that starts ``delay_s`` late.

    ``direct`` is the share of its energy that arrives straight from the mouth; the rest is a few
    early reflections within 25 ms and a decaying tail.
    """
    start = round(delay_s * RATE_HZ)
    after = np.zeros(round(1.2 * TAIL_S * RATE_HZ))
    for arrival_s in rng.uniform(0.002, 0.025, reflections):
        after[round(arrival_s * RATE_HZ)] += rng.choice((-1, 1)) * np.exp(-arrival_s / 0.012)
    seconds = np.arange(len(after)) / RATE_HZ
    tail = rng.standard_normal(len(after)) * 10 ** (-3 * seconds / TAIL_S) * (seconds > 0.004)
    after += tail * 0.5 * rms(after) / rms(tail)
    after *= np.sqrt((1 - direct) / np.sum(after**2))
    after[0] = np.sqrt(direct)
    return np.concatenate([np.zeros(start), after])


def _coloured(frames: int, power: float, low_hz: float, rng: np.random.Generator) -> np.ndarray:
    """Return noise whose power falls as ``1 / f ** power`` above ``low_hz``, at an RMS of 1."""
    size = fft.next_fast_len(frames, real=True)
    frequency_hz = fft.rfftfreq(size, 1 / RATE_HZ)
    shape = np.maximum(frequency_hz, low_hz) ** (-power / 2)
    shape[frequency_hz < low_hz / 2] = 0
    noise = fft.irfft(shape * fft.rfft(rng.standard_normal(size)), size)[:frames]
    return noise / rms(noise)


def _breathing(frames: int, depth_db: float, rng: np.random.Generator) -> np.ndarray:
    """Return a gain that wanders within about ``depth_db`` over some seconds."""
    knots = np.arange(0, frames + 3 * RATE_HZ, 3 * RATE_HZ)
    wander_db = rng.uniform(-depth_db, depth_db, len(knots))
    return 10 ** (np.interp(np.arange(frames), knots, wander_db) / 20)


def room_tone(frames: int, level_dbfs: float, rng: np.random.Generator) -> np.ndarray:
    """Return the sound of the canal in both microphones, ``(frames, 2)``.

    The weir is common to both and reaches the second microphone 1.5 ms later; the rustle of each
    place and each microphone's own noise belong to it alone.
    """
    late = round(0.0015 * RATE_HZ)
    wash = signal.butter(1, [250, 4000], "band", fs=RATE_HZ, output="sos")
    weir = signal.sosfilt(wash, _coloured(frames + late, 0.5, 40, rng))
    weir *= _breathing(frames + late, 1.5, rng) / rms(weir)
    tone = np.empty((frames, 2))
    for mic, common in enumerate((weir[late:], weir[:frames])):
        own = _coloured(frames, 1.0, 40, rng) * _breathing(frames, 1.0, rng)
        tone[:, mic] = 0.75 * common + 0.65 * own
        tone[:, mic] *= gain(level_dbfs) / rms(tone[:, mic])
    return tone
