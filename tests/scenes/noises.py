"""The background of a place, as both microphones hear it.

Every function returns ``(frames, 2)`` at about unit power in each column; ``build`` sets levels.
Sounds of the room reach both microphones (through the room, or as a diffuse field); hiss is each
microphone's own. Kinds and parameters are disjoint between the halves.
"""

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
from scipy import fft, signal

from scenes.model import ROLES, SAMPLE_RATE_HZ, Half, Samples
from scenes.rooms import SPEED_OF_SOUND_M_S, Room
from scenes.speech import SPEAKERS, clip, utterance_count

Generator = np.random.Generator
Noise = npt.NDArray[np.floating]


def unit(samples: Noise) -> Samples:
    """Scale to unit power over the whole array."""
    return (samples / np.sqrt(np.mean(np.square(samples, dtype=float)))).astype(np.float32)


def coloured(rng: Generator, frames: int, slope_db_per_octave: float, low_hz: float = 25) -> Noise:
    """Return noise whose power density changes by ``slope_db_per_octave`` above ``low_hz``."""
    size = fft.next_fast_len(frames, real=True)
    frequency_hz = fft.rfftfreq(size, 1 / SAMPLE_RATE_HZ)
    gain = np.maximum(frequency_hz, low_hz) ** (slope_db_per_octave / 6.02)
    gain[frequency_hz < 15] = 0
    phases = rng.standard_normal((2, len(gain)), np.float32)
    return fft.irfft((phases[0] + 1j * phases[1]) * gain.astype(np.float32), size)[:frames]


def diffuse(rng: Generator, frames: int, slope_db: float, distance_m: float) -> Samples:
    """Return a diffuse field at two microphones: alike below the frequency they are close for.

    Coherence is the free field's sinc(2 pi f d / c), reached by mixing a shared and two own noises.
    """
    size = fft.next_fast_len(frames, real=True)
    frequency_hz = fft.rfftfreq(size, 1 / SAMPLE_RATE_HZ)
    coherence = np.sinc(2 * frequency_hz * distance_m / SPEED_OF_SOUND_M_S)
    turn = (0.5 * np.arcsin(np.clip(coherence, -1, 1))).astype(np.float32)
    a, b = (fft.rfft(coloured(rng, frames, slope_db), size) for _ in range(2))
    left = a * np.cos(turn) + b * np.sin(turn)
    right = a * np.sin(turn) + b * np.cos(turn)
    return np.stack([unit(fft.irfft(x, size)[:frames]) for x in (left, right)], axis=1)


def _through_room(source: Noise, room: Room) -> Samples:
    frames = len(source)
    heard = np.stack(
        [
            signal.oaconvolve(source.astype(np.float32), room.noise_responses[mic])[:frames]
            for mic in ROLES
        ],
        axis=1,
    )
    return unit(heard)


def _hiss(rng: Generator, frames: int, room: Room, half: Half, avoid: set[str]) -> Samples:
    slope = 0.0 if half == "tuning" else -1.0
    return np.stack([unit(coloured(rng, frames, slope)) for _ in ROLES], axis=1)


def _pink(rng: Generator, frames: int, room: Room, half: Half, avoid: set[str]) -> Samples:
    return diffuse(rng, frames, -3.0 if half == "tuning" else -4.0, room.distance_m)


def _babble(rng: Generator, frames: int, room: Room, half: Half, avoid: set[str]) -> Samples:
    voices = [s for s in SPEAKERS if s.half == half and s.name not in avoid and s.source != "data"]
    out = np.zeros(frames)
    for number in range(7):
        speaker = voices[number % len(voices)]
        at = int(rng.integers(SAMPLE_RATE_HZ))
        while at < frames:
            said = clip(speaker, int(rng.integers(utterance_count(speaker))))
            if said is None:
                continue
            end = min(at + len(said.samples), frames)
            out[at:end] += said.samples[: end - at]
            at = end + int(rng.uniform(0.05, 0.4) * SAMPLE_RATE_HZ)
    far = signal.butter(1, 3000, fs=SAMPLE_RATE_HZ, output="sos")
    return _through_room(signal.sosfilt(far, out), room)


def _traffic(rng: Generator, frames: int, room: Room, half: Half, avoid: set[str]) -> Samples:
    base = diffuse(rng, frames, -6.0 if half == "tuning" else -7.5, room.distance_m)
    time_s = np.arange(frames) / SAMPLE_RATE_HZ
    swell = np.full(frames, 0.6)
    for _ in range(1 + int(time_s[-1] / 18)):
        middle, width = rng.uniform(0, time_s[-1]), rng.uniform(2.5, 5.0)
        swell += rng.uniform(0.3, 0.9) * np.exp(-0.5 * ((time_s - middle) / width) ** 2)
    return unit(base * swell[:, None])


def tones(
    frames: int, fundamental_hz: float, levels_db: dict[int, float], rng: Generator, wander: float
) -> Noise:
    """Return harmonics ``levels_db`` (re unit power) of a fundamental wandering by ``wander``."""
    knots = rng.standard_normal(max(4, frames // (5 * SAMPLE_RATE_HZ)))
    drift = np.interp(np.arange(frames), np.linspace(0, frames, len(knots)), knots)
    phase = 2 * np.pi * np.cumsum(fundamental_hz * (1 + wander * drift)) / SAMPLE_RATE_HZ
    turn = np.exp(1j * phase).astype(np.complex64)
    power, out = np.ones(frames, np.complex64), np.zeros(frames, np.float32)
    for harmonic in range(1, max(levels_db) + 1):
        power *= turn
        if harmonic in levels_db:
            amplitude = np.sqrt(2) * 10 ** (levels_db[harmonic] / 20)
            start = amplitude * np.exp(1j * rng.uniform(0, 2 * np.pi))
            out += (power * np.complex64(start)).real
    return out


def _machine(rng: Generator, frames: int, room: Room, half: Half, avoid: set[str]) -> Samples:
    if half == "tuning":  # a fridge: compressor on 50 Hz mains
        lines = {1: -8.0, 2: 0.0, 3: -10.0, 4: -6.0, 6: -12.0}
        sound = tones(frames, 50.0, lines, rng, 0.0002)
    else:  # a generator outside: 3000 turns a minute, wandering
        lines = {1: 0.0, 2: -2.0, 3: -6.0, 4: -5.0, 5: -9.0, 6: -10.0, 8: -13.0}
        sound = tones(frames, float(rng.uniform(47.5, 52.5)), lines, rng, 0.002)
    return _through_room(unit(sound) * 0.6 + 0.8 * unit(coloured(rng, frames, -4.0)), room)


NOISES: dict[str, Callable[[Generator, int, Room, Half, set[str]], Samples]] = {
    "hiss": _hiss,
    "pink": _pink,
    "babble": _babble,
    "traffic": _traffic,
    "machine": _machine,
}
