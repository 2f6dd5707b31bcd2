"""Noises, filters, room responses and gains that set themselves. Levels of noises are RMS 1."""

import numpy as np
from numpy.random import Generator
from scipy import fft, signal

from .voices import RATE_HZ


def gain(level_db):
    return 10 ** (np.asarray(level_db) / 20)


def rms(sound: np.ndarray) -> float:
    return float(np.sqrt(np.mean(sound**2) + 1e-20))


def passed(sound, low_hz=None, high_hz=None, order=1):
    """Return the sound between the two edges; an edge that is None stays open."""
    if low_hz and high_hz:
        edges, kind = [low_hz, high_hz], "band"
    else:
        edges, kind = (low_hz, "high") if low_hz else (high_hz, "low")
    return signal.sosfilt(signal.butter(order, edges, kind, fs=RATE_HZ, output="sos"), sound)


def smooth(curve, rate_hz):
    """Return a curve of gain without corners: a step of it would be a crack."""
    return signal.sosfiltfilt(signal.butter(1, rate_hz, fs=RATE_HZ, output="sos"), curve)


def coloured(rng: Generator, frames: int, colour: str = "white") -> np.ndarray:
    noise = rng.standard_normal(frames)
    if colour != "white":
        padded = fft.next_fast_len(frames + RATE_HZ, real=True)
        spectrum = fft.rfft(rng.standard_normal(padded))
        at_hz = fft.rfftfreq(padded, 1 / RATE_HZ)
        spectrum *= np.maximum(at_hz, 40) ** (-0.5 if colour == "pink" else -1.0)
        spectrum[at_hz < 20] = 0
        noise = fft.irfft(spectrum, padded)[:frames]
    return noise / rms(noise)


def wander(rng: Generator, frames: int, rate_hz: float, spread_db: float) -> np.ndarray:
    """Return a gain that wanders: a new random value ``rate_hz`` times a second."""
    knots = rng.normal(0, spread_db, int(frames / RATE_HZ * rate_hz) + 4)
    return gain(np.interp(np.arange(frames) / RATE_HZ * rate_hz, np.arange(len(knots)), knots))


def harmonics(frames: int, pitch_hz: float, parts, rng: Generator, sway: float = 0.0) -> np.ndarray:
    """Return a hum of ``parts``: pairs of a multiple of the pitch and its amplitude."""
    at_s = np.arange(frames) / RATE_HZ
    turn = 2 * np.pi * pitch_hz * at_s + sway * np.sin(2 * np.pi * 1.3 * at_s)
    hum = sum(a * np.sin(k * turn + rng.uniform(0, 6)) for k, a in parts)
    return hum / rms(hum)


def fan(rng: Generator, frames: int) -> np.ndarray:
    pitch_hz = rng.uniform(70, 240)
    tones = [(k, rng.uniform(0.1, 0.6) / k) for k in range(1, 5)]
    air = passed(coloured(rng, frames, "pink"), 60, 4000)
    both = air / rms(air) + 0.5 * harmonics(frames, pitch_hz, tones, rng)
    return both / rms(both)


def traffic(rng: Generator, frames: int) -> np.ndarray:
    at = np.arange(frames)
    swell = np.full(frames, 0.5)
    for _ in range(frames // (9 * RATE_HZ) + 1):
        width = rng.uniform(1.5, 5) * RATE_HZ
        swell += rng.uniform(0.3, 1.5) * np.exp(-0.5 * ((at - rng.integers(frames)) / width) ** 2)
    road = passed(coloured(rng, frames, "brown"), 30, 1200)
    tyres = passed(coloured(rng, frames, "pink"), 100, 3000)
    both = road / rms(road) + tyres / rms(tyres) * swell
    return both / rms(both)


def chords(rng: Generator, frames: int) -> np.ndarray:
    """Return music of a kind: struck chords of decaying tones over a beat."""
    beat = round(rng.uniform(0.35, 0.6) * RATE_HZ)
    at_s = np.arange(4 * beat) / RATE_HZ
    music = np.zeros(frames + 4 * beat)
    for start in range(0, frames, beat):
        root_hz = 110 * 2 ** (rng.choice([0, 3, 5, 7, 8, 12]) / 12)
        for step in (0, 4, 7, 12, 19):
            pitch_hz = root_hz * 2 ** (step / 12)
            tone = sum(np.sin(2 * np.pi * k * pitch_hz * at_s) / k**1.5 for k in (1, 2, 3, 4))
            music[start : start + len(at_s)] += tone * np.exp(-at_s / 0.5) * rng.uniform(0.3, 1)
    return music[:frames] / rms(music[:frames])


def response(rng: Generator, t60_s: float, direct_db: float, delay_s: float) -> np.ndarray:
    """Return an impulse response: the direct sound, four reflections, a tail of decaying noise."""
    frames = int(t60_s * RATE_HZ)
    tail = passed(rng.standard_normal(frames), 80, rng.uniform(3000, 9000))
    tail *= 10 ** (-3 * np.arange(frames) / frames)
    tail[: RATE_HZ // 600] = 0
    tail *= gain(-direct_db) / np.sqrt(np.sum(tail**2))
    at = delay_s * RATE_HZ
    heard = np.zeros(frames + int(at) + 100)
    taps = np.arange(int(at) - 24, int(at) + 25)
    direct = np.sinc(taps - at) * np.hanning(51)[1:-1]
    heard[taps[taps >= 0]] += direct[taps >= 0]
    heard[int(at) : int(at) + frames] += tail
    for _ in range(4):
        reflection = int(at + rng.uniform(0.001, 0.02) * RATE_HZ)
        heard[reflection] += rng.choice([-1, 1]) * rng.uniform(0.1, 0.4) * gain(-direct_db / 2)
    return heard


def delayed(sound: np.ndarray, delay_s: float) -> np.ndarray:
    """Return the sound later by a time that need not be whole samples."""
    at = delay_s * RATE_HZ
    taps = np.arange(-24, 25)
    kernel = np.sinc(taps - (at - int(at))) * np.hanning(51)[1:-1]
    late = signal.oaconvolve(sound, kernel)[24 : 24 + len(sound)]
    return np.concatenate([np.zeros(int(at)), late])[: len(sound)]


def leveller(sound, target_dbfs, fall_s, rise_s, most_db) -> np.ndarray:
    """Return the gain of a feedback leveller: it falls fast and rises slowly, in pauses too."""
    frame = RATE_HZ // 100
    power = (sound[: len(sound) // frame * frame].reshape(-1, frame) ** 2).mean(axis=1)
    now_db, curve = 0.0, []
    for level_db in 10 * np.log10(power + 1e-12):
        over = level_db + now_db - target_dbfs
        now_db -= over * (1 - np.exp(-0.01 / (fall_s if over > 0 else rise_s)))
        now_db = float(np.clip(now_db, -most_db, most_db))
        curve.append(now_db)
    at = (np.arange(len(curve)) + 0.5) * frame
    return gain(np.interp(np.arange(len(sound)), at, curve))


def limiter(sound, ceiling, release_s=0.08) -> np.ndarray:
    """Return the gain of a peak limiter that looks a millisecond ahead."""
    frame = RATE_HZ // 1000
    peaks = np.abs(np.resize(sound, -(-len(sound) // frame) * frame)).reshape(-1, frame).max(axis=1)
    now, curve, keep = 1.0, [], np.exp(-0.001 / release_s)
    for wanted in np.minimum(1, ceiling / (peaks + 1e-12)):
        now = wanted if wanted < now else 1 - (1 - now) * keep
        now = min(now, wanted)
        curve.append(now)
    ahead = np.minimum(curve, np.append(curve[1:], 1.0))
    return np.interp(np.arange(len(sound)), (np.arange(len(ahead)) + 0.5) * frame, ahead)
