"""Damage done by the recorder: clipping, offset, broken samples."""

import numpy as np

from scenes.mix import Mix, span
from scenes.model import ROLES, SAMPLE_RATE_HZ

HOW = ("full scale", "gain turned down", "one polarity", "limiter", "AAC")
# A run of this many samples at the ceiling is the least that counts as clipping.
LEAST_RUN = 3
# A limiter driven so hard that its tops bend by less than a step of 16 bits has cut them flat.
FLAT_STEP = 2.0**-15
# Clipped runs nearer than this are one section of the truth.
JOIN_S = 0.5


def shout(mix: Mix) -> None:
    """Let the wearer get loud in some phrases, so that the input will clip."""
    mic = mix.pick_mic()
    how = mix.settings.get("how") or str(mix.rng.choice(HOW))
    ceiling = 0.4 if how == "one polarity" else 1.0
    # The input is set so hot that ordinary speech stays just under the ceiling.
    hot = 0.85 * ceiling / max(float(np.abs(mix.voice[a][mic]).max()) for a in ROLES)
    mix.scale_all(mic, hot)
    mix.voice_rms[mic] *= hot
    mix.notes["gain_db"][mic] += float(20 * np.log10(hot))
    loud = np.ones(mix.frames, np.float32)
    for _ in range(int(mix.rng.integers(2, 4))):
        length_s = float(mix.rng.uniform(0.6, 2.5))
        start_s = mix.place(length_s, "speech", mic)
        if start_s is None:
            continue
        part = span(start_s, start_s + length_s)
        here = float(np.abs(mix.voice[mic][mic][part]).max())
        over_db = float(mix.rng.uniform(3, 9))
        gain = ceiling * 10 ** (over_db / 20) / max(here, 1e-4)
        ramp = round(0.05 * SAMPLE_RATE_HZ)
        shape = np.full(part.stop - part.start, gain, np.float32)
        shape[:ramp] = np.linspace(1, gain, ramp)
        shape[-ramp:] = np.linspace(gain, 1, ramp)
        loud[part] = shape
    mix.voice[mic][mic] *= loud
    # What the louder words leak into the other microphone grows with them, but must not clip.
    into = ROLES[1 - ROLES.index(mic)]
    leak = mix.voice[mic][into] * loud
    room_left = 0.7 / max(float(np.abs(leak).max()), 1e-6)
    mix.voice[mic][into] = leak if room_left >= 1 else mix.voice[mic][into]
    mix.notes["shout"] = (mic, how, ceiling)


def clip(mix: Mix) -> None:
    """Clip at the ceiling; the truth is where samples really were held there."""
    mic, how, ceiling = mix.notes["shout"]
    signal = mix.recorded[mic]
    cut: list[tuple[float, float]] = []
    if how == "limiter":
        knee = 0.5 * ceiling
        over = np.abs(signal) > knee
        rounded = knee + (ceiling - knee) * np.tanh((np.abs(signal) - knee) / (ceiling - knee))
        held = over & (np.abs(signal) > 0.9 * ceiling)
        signal[over] = (np.sign(signal) * rounded)[over]
        flat = held_sections(over & (rounded > ceiling - FLAT_STEP))
        cut = [(start_s, end_s) for start_s, end_s, _, longest in flat if longest >= LEAST_RUN]
    elif how == "one polarity":
        held = signal > ceiling
        signal[held] = ceiling
        np.maximum(signal, -0.999, out=signal)
        held |= signal <= -0.999
    else:
        held = np.abs(signal) > ceiling
        np.clip(signal, -ceiling, ceiling, out=signal)
    if how in ("gain turned down", "AAC"):
        down = float(mix.rng.uniform(0.2, 0.8))
        signal *= np.float32(down)
        mix.output_gain[mic] *= down
    if how == "AAC":
        mix.storage = "aac"
    expect = "note" if how == "limiter" else "must"
    for start_s, end_s, samples, longest in held_sections(held):
        # What a limiter has cut is more than rounded, and less than a converter's ceiling.
        sure = longest >= LEAST_RUN and not any(a < end_s and b > start_s for a, b in cut)
        mix.note(
            "clipping", mic, start_s, end_s, expect if sure else "may", how=how,
            held_samples=samples, longest_run=longest, held_ms=1000 * samples / SAMPLE_RATE_HZ,
        )  # fmt: skip


def held_sections(held: np.ndarray) -> list[tuple[float, float, int, int]]:
    """Return start, end, held samples and longest run of each section of held samples."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], held.astype(np.int8), [0]))))
    out: list[tuple[float, float, int, int]] = []
    for begin, stop in edges.reshape(-1, 2):
        start_s, end_s, run = begin / SAMPLE_RATE_HZ, stop / SAMPLE_RATE_HZ, int(stop - begin)
        if out and start_s - out[-1][1] < JOIN_S:
            first, _, samples, longest = out.pop()
            out.append((first, end_s, samples + run, max(longest, run)))
        else:
            out.append((start_s, end_s, run, run))
    return out


def dc_offset(mix: Mix) -> None:
    """Shift one channel's zero line."""
    mic = mix.pick_mic()
    offset = float(mix.rng.uniform(0.01, 0.05)) * float(mix.rng.choice([-1.0, 1.0]))
    mix.recorded[mic] += np.float32(offset)
    mix.note("dc_offset", mic, 0.0, mix.duration_s, offset=offset)


def bad_samples(mix: Mix) -> None:
    """Write numbers that are none (NaN, infinity) into a float recording."""
    mic = mix.pick_mic()
    mix.storage = "float"
    for _ in range(2):
        start_s = mix.place(0.01, "any", mic)
        if start_s is None:
            continue
        part = span(start_s, start_s + 0.002 * float(mix.rng.integers(1, 4)))
        value = float(mix.rng.choice([np.nan, np.inf, -np.inf]))
        mix.recorded[mic][part] = value
        mix.note("bad_samples", mic, part.start / SAMPLE_RATE_HZ, part.stop / SAMPLE_RATE_HZ)
