"""Damage that adds a sound: clicks, rustle, wind, hum, a background that starts or stops."""

from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import signal

from scenes.levels import db, total_power
from scenes.mix import Mix, span
from scenes.model import ROLES, SAMPLE_RATE_HZ, Expect, Samples
from scenes.noises import coloured, tones, unit

Generator = np.random.Generator

# A change of the background is asked for where it changes some octave by so much within so long:
# by less than the least rise of a machine, over the whole (our choice).
HEARD_DB, BESIDE_S = 6.0, 2.0


def _db_gain(level_db: float) -> np.float32:
    return np.float32(10 ** (level_db / 20))


def add(mix: Mix, mic: str, start_s: float, sound: npt.NDArray[np.floating]) -> None:
    """Add a sound to one microphone."""
    begin = round(start_s * SAMPLE_RATE_HZ)
    end = min(begin + len(sound), mix.frames)
    mix.extra[mic][begin:end] += sound[: end - begin].astype(np.float32)


def _peak(mix: Mix, mic: str) -> float:
    return max(float(np.abs(mix.voice[speaker][mic]).max()) for speaker in ROLES)


def audible(over_floor_db: float, least_db: float) -> Expect:
    """Owe a report only for what stands clear of the background (``least_db`` is our choice)."""
    return "must" if over_floor_db >= least_db else "may"


def crack(rng: Generator, kind: str) -> Samples:
    """Return a click of peak 1, at most about 6 ms long."""
    length = round(0.006 * SAMPLE_RATE_HZ)
    time = np.arange(length) / SAMPLE_RATE_HZ
    if kind == "radio hit":
        sound = rng.standard_normal(length) * np.exp(-time / rng.uniform(0.0005, 0.0012))
    elif kind == "connector":
        ring = np.sin(2 * np.pi * rng.uniform(900, 5000) * time)
        sound = ring * np.exp(-time / rng.uniform(0.0003, 0.0009))
        sound[: rng.integers(2, 6)] += rng.choice([-1.0, 1.0])
    else:  # a few samples that jumped
        sound = np.zeros(length)
        sound[: rng.integers(1, 4)] = rng.choice([-1.0, 1.0])
    return (sound / np.abs(sound).max()).astype(np.float32)


def click(mix: Mix) -> None:
    """Put cracks in speech and in pauses."""
    mic = mix.pick_mic()
    floor = mix.noise_power(mic)
    for number in range(int(mix.rng.integers(3, 6))):
        where = ("speech", "pause")[number % 2]
        start_s = mix.place(0.006, where, mic)
        if start_s is None:
            continue
        kind = str(mix.rng.choice(["radio hit", "connector", "jumped samples"]))
        relative_db = float(
            mix.rng.uniform(-8, 2) if where == "speech" else mix.rng.uniform(-14, 0)
        )
        add(mix, mic, start_s, crack(mix.rng, kind) * _db_gain(relative_db) * _peak(mix, mic))
        over_db = 10 * np.log10((_peak(mix, mic) ** 2 * 10 ** (relative_db / 10)) / floor)
        mix.note(
            "click", mic, start_s, start_s + 0.006, audible(over_db, 20), how=kind, where=where,
            peak_db=relative_db,
        )  # fmt: skip


def cloth(rng: Generator, length_s: float) -> Samples:
    """Return rubbing cloth, unit power: broadband, in quick irregular strokes."""
    frames = round(length_s * SAMPLE_RATE_HZ)
    low, high = rng.uniform(80, 300), rng.uniform(5000, 9000)
    band = signal.butter(2, (low, high), "bandpass", fs=SAMPLE_RATE_HZ, output="sos")
    rubbing = signal.sosfilt(band, coloured(rng, frames, rng.uniform(-3, -1)))
    knots = rng.gamma(0.8, 1.0, max(4, int(length_s * rng.uniform(15, 35))))
    strokes = np.interp(np.linspace(0, len(knots) - 1, frames), np.arange(len(knots)), knots)
    edge = np.minimum(1, np.minimum(np.arange(frames), np.arange(frames)[::-1]) / 720)
    return unit(rubbing * (0.25 + strokes) * edge)


def rustle(mix: Mix) -> None:
    """Rub cloth on one microphone, in pauses and under speech."""
    mic = mix.pick_mic()
    floor = mix.noise_power(mic, "A")
    for number in range(int(mix.rng.integers(3, 6))):
        where = ("pause", "speech")[number % 2]
        length_s = float(
            mix.rng.uniform(0.15, 0.5) if where == "pause" else mix.rng.uniform(0.3, 1.2)
        )
        start_s = mix.place(length_s, where, mic)
        if start_s is None:
            continue
        # Over the voice's level under speech, else it is masked and nobody would mind.
        relative_db = float(mix.rng.uniform(-16, 0) if where == "pause" else mix.rng.uniform(-4, 4))
        sound = cloth(mix.rng, length_s) * _db_gain(relative_db) * np.float32(mix.voice_rms[mic])
        add(mix, mic, start_s, sound)
        over_db = 10 * np.log10(total_power(sound, "A") / floor)
        mix.note(
            "rustle", mic, start_s, start_s + length_s, audible(over_db, 8), where=where,
            re_speech_db=relative_db, over_floor_db=over_db,
        )  # fmt: skip


def wind(mix: Mix) -> None:
    """Blow on one microphone: low-frequency bursts, each a gust of one to four seconds."""
    mic = mix.pick_mic()
    floor = mix.noise_power(mic)
    for _ in range(int(mix.rng.integers(2, 5))):
        length_s = float(mix.rng.uniform(1.0, 4.0))
        start_s = mix.place(length_s, "any", mic)
        if start_s is None:
            continue
        frames = round(length_s * SAMPLE_RATE_HZ)
        low_pass = signal.butter(2, mix.rng.uniform(60, 160), fs=SAMPLE_RATE_HZ, output="sos")
        rumble = signal.sosfilt(low_pass, coloured(mix.rng, frames, -6.0))
        knots = mix.rng.gamma(1.5, 1.0, max(5, int(length_s * 6)))
        gusts = np.interp(np.linspace(0, len(knots) - 1, frames), np.arange(len(knots)), knots)
        relative_db = float(mix.rng.uniform(0, 9))
        sound = unit(rumble * (0.2 + gusts) * np.hanning(frames) ** 0.3)
        sound *= _db_gain(relative_db) * np.float32(mix.voice_rms[mic])
        add(mix, mic, start_s, sound)
        over_db = 10 * np.log10(np.mean(sound**2) / floor)
        expect = audible(over_db, 8)
        mix.note("wind", mic, start_s, start_s + length_s, expect, re_speech_db=relative_db)


def hum_lines(rng: Generator) -> dict[int, float]:
    """Draw the harmonics of a hum, in dB: even a clean ground loop has the odd ones."""
    lines = {1: float(rng.uniform(-6, 0))}
    for harmonic in range(2, int(rng.integers(5, 12))):
        lines[harmonic] = float(-3 * np.log2(harmonic) - rng.uniform(0, 12))
    return lines


def hum_sound(mix: Mix, frames: int) -> tuple[Samples, float]:
    """Return a hum of unit power and its fundamental in Hz."""
    grid_hz = float(mix.rng.choice([50.0, 60.0]))
    fundamental_hz = grid_hz + float(mix.rng.uniform(-0.1, 0.1))
    return unit(tones(frames, fundamental_hz, hum_lines(mix.rng), mix.rng, 1e-5)), fundamental_hz


def hum(mix: Mix) -> None:
    """Let one microphone hum, throughout or for a part of the take."""
    mic = mix.pick_mic()
    sound, fundamental_hz = hum_sound(mix, mix.frames)
    over_floor_db = float(mix.rng.uniform(3, 12))
    level = np.sqrt(mix.noise_power(mic)) * _db_gain(over_floor_db)
    start_s, end_s = 0.0, mix.duration_s
    if mix.rng.uniform() < 0.5:
        length_s = float(mix.rng.uniform(15, max(16.0, 0.5 * mix.duration_s)))
        found = mix.place(length_s, "any", mic)
        if found is not None:
            start_s, end_s = found, found + length_s
    gate = np.zeros(mix.frames, np.float32)
    gate[span(start_s, end_s)] = 1
    mix.noise[mic] += sound * gate * np.float32(level)
    mix.note(
        "hum", mic, start_s, end_s, frequency_hz=fundamental_hz, over_floor_db=over_floor_db,
        level_dbfs=db(float(level) ** 2),
    )  # fmt: skip


def background_change(mix: Mix) -> None:
    """Start a machine in the room, and perhaps stop it again, both microphones hearing it."""
    length_s = float(mix.rng.uniform(14, max(15.0, 0.45 * mix.duration_s)))
    start_s = mix.place(length_s, "any", ROLES[1])
    if start_s is None:
        return
    end_s = start_s + length_s
    if mix.rng.uniform() < 0.3:
        end_s = mix.duration_s
    kind = str(mix.rng.choice(["fan", "pump", "rain"]))
    frames = mix.frames
    source = coloured(mix.rng, frames, {"fan": -4.0, "pump": -5.0, "rain": 0.0}[kind])
    sound = unit(source)
    if kind == "pump":
        sound = sound * np.float32(0.7) + np.float32(0.7) * unit(
            tones(frames, float(mix.rng.uniform(70, 140)), {1: 0, 2: -3, 3: -8}, mix.rng, 5e-4)
        )
    gate = np.zeros(frames, np.float32)
    gate[span(start_s, end_s)] = 1
    gate = signal.lfilter([0.0007], [1, -0.9993], gate).astype(np.float32)  # runs up in 30 ms
    rise_db = float(mix.rng.uniform(8, 15))
    details: dict[str, Any] = {"what": kind, "rise_db": rise_db}
    # The room's sound is as loud at both places: one acoustic level, two input gains.
    acoustic = max(mix.noise_power(mic, "A") / mix.voice_rms[mic] ** 2 for mic in ROLES)
    for mic in ROLES:
        heard = unit(signal.oaconvolve(sound, mix.room.noise_responses[mic])[:frames])
        level = np.sqrt(acoustic * 10 ** (rise_db / 10)) * mix.voice_rms[mic]
        mix.noise[mic] += heard * gate * np.float32(level)
    mix.note("background_change", None, start_s, start_s, **details, change="starts")
    if end_s < mix.duration_s:
        mix.note("background_change", None, end_s, end_s, **details, change="stops")


def hidden_changes(mix: Mix) -> None:
    """Ask for no change that something louder hides: a machine that runs already, or a lorry."""
    for number, damage in enumerate(mix.damage):
        if damage.kind != "background_change" or damage.expect != "must":
            continue
        at_s = damage.start_s
        octaves = [
            [_octaves(mix.noise[mic][side]) for mic in ROLES]
            for side in (span(max(at_s - BESIDE_S, 0.0), at_s), span(at_s, at_s + BESIDE_S))
        ]
        change_db = 10 * np.log10(np.array(octaves[1]) / np.array(octaves[0]))
        if np.abs(change_db).max() < HEARD_DB:
            mix.damage[number] = replace(damage, expect="may")


def _octaves(sound: Samples) -> np.ndarray:
    """Return the mean power of each octave from 63 Hz to 8 kHz, ``(8,)``, up to a factor."""
    power = np.abs(np.fft.rfft(sound * np.hanning(len(sound))) / len(sound)) ** 2
    hz = np.fft.rfftfreq(len(sound), 1 / SAMPLE_RATE_HZ)
    middles = 1000.0 * 2.0 ** np.arange(-4, 4)
    bands = [(hz >= middle / 2**0.5) & (hz < middle * 2**0.5) for middle in middles]
    return np.array([power[band].sum() for band in bands]) + 1e-20
