"""Damage done by gain: level jumps, automatic gain, a leaking voice, too quiet an input."""

from typing import Any

import numpy as np
from scipy import signal

from scenes.levels import FRAME, frame_power
from scenes.mix import Mix, span
from scenes.model import ROLES, other

Generator = np.random.Generator


def level_jump(mix: Mix) -> None:
    """Turn one input up or down for good, or for a while."""
    mic = mix.pick_mic()
    length_s = float(mix.rng.uniform(15, max(16.0, 0.45 * mix.duration_s)))
    start_s = mix.place(length_s, "any", mic)
    if start_s is None:
        return
    back = mix.rng.uniform() < 0.5
    end_s = start_s + length_s if back else mix.duration_s
    # Never above full scale: that would be clipping.
    step_db = float(mix.rng.uniform(5, 10)) * float(mix.rng.choice([-1.0, 1.0]))
    peak = max(float(np.abs(mix.voice[a][mic]).max()) for a in ROLES)
    if 20 * np.log10(peak) + step_db > -3:
        step_db = -abs(step_db)
    curve = np.ones(mix.frames, np.float32)
    curve[span(start_s, end_s)] = 10 ** (step_db / 20)
    smooth = signal.lfilter([0.01], [1, -0.99], curve - 1).astype(np.float32) + 1  # 2 ms: no click
    mix.scale_all(mic, smooth)
    mix.turned[mic] = mix.turned.get(mic, 1.0) * smooth
    mix.note("level_jump", mic, start_s, start_s, step_db=step_db)
    if back:
        mix.note("level_jump", mic, end_s, end_s, step_db=-step_db)


def automatic_gain(mix: Mix) -> None:
    """Let one input set its own gain: down at once on a word, up again in every pause."""
    mic = mix.pick_mic()
    picked_up = sum(mix.voice[a][mic] for a in ROLES) + mix.noise[mic]
    power = frame_power(np.asarray(picked_up))
    target = mix.voice_rms[mic] ** 2
    down, up = np.exp(-0.010 / 0.05), np.exp(-0.010 / float(mix.rng.uniform(0.5, 1.2)))
    most_db = float(mix.rng.uniform(14, 20))
    gain_db = np.empty(len(power))
    state = 0.0
    for frame, value in enumerate(power):
        wanted = np.clip(10 * np.log10(target / max(value, 1e-12)), -6, most_db)
        keep = down if wanted < state else up
        state = keep * state + (1 - keep) * wanted
        gain_db[frame] = state
    curve = 10 ** (np.interp(np.arange(mix.frames), FRAME * np.arange(len(power)), gain_db) / 20)
    peak = max(float(np.abs(mix.voice[a][mic] * curve).max()) for a in ROLES)
    curve *= min(1.0, 0.7 / peak)
    mix.scale_all(mic, curve)
    mix.note("level_jump", mic, 0.0, mix.duration_s, how="automatic gain", most_db=most_db)
    # The background comes up in every pause: a tool may call that noise or a changing background.
    for kind in ("noise", "background_change"):
        mix.note(kind, mic, 0.0, mix.duration_s, "may")


def crosstalk_settings(rng: Generator) -> dict[str, Any]:
    """Ask for people far enough apart that only the turned-round stretch leaks."""
    return {"distance_m": float(rng.uniform(1.6, 2.2)), "t60_s": float(rng.uniform(0.25, 0.32))}


def crosstalk(mix: Mix) -> None:
    """Let one person turn towards the other's microphone for the length of an answer."""
    long_ones = [
        said
        for said in mix.dialogue.utterances
        if said.kind in ("answer", "question") and said.end_s - said.start_s > 6
    ]
    mix.rng.shuffle(long_ones)
    for said in long_ones[:1]:
        speaker, mic = said.speaker, other(said.speaker)
        start_s, end_s = said.start_s - 0.2, said.end_s + 0.3
        part = span(start_s, end_s)
        own, leak = mix.voice[speaker][speaker][part], mix.voice[speaker][mic][part]
        levelled_db = float(mix.rng.uniform(-4, 0))
        now = (
            np.mean(leak**2) / np.mean(own**2) * (mix.voice_rms[speaker] / mix.voice_rms[mic]) ** 2
        )
        gain = np.sqrt(10 ** (levelled_db / 10) / now)
        curve = np.ones(mix.frames, np.float32)
        curve[part] = gain
        curve = 1 + signal.lfilter([0.0005], [1, -0.9995], curve - 1).astype(np.float32)
        mix.voice[speaker][mic] *= curve
        mix.reserve(start_s, end_s)
        mix.note("crosstalk", mic, said.start_s, said.end_s, level_db=levelled_db, how="turned")


def close_together(rng: Generator) -> dict[str, Any]:
    """Ask for two people shoulder to shoulder."""
    return {"distance_m": float(rng.uniform(0.35, 0.5)), "t60_s": float(rng.uniform(0.5, 0.8))}


def low_level(mix: Mix) -> None:
    """Record one person, or both, 30 dB too quietly; the input's own floor stays where it is."""
    for mic in ROLES if mix.rng.uniform() < 0.5 else (mix.pick_mic(),):
        wanted_dbfs = float(mix.rng.uniform(-62, -54))
        gain = 10 ** (wanted_dbfs / 20) / mix.voice_rms[mic]
        mix.scale_all(mic, gain)
        mix.voice_rms[mic] *= gain
        mix.notes["gain_db"][mic] += float(20 * np.log10(gain))
        floor_dbfs = float(mix.rng.uniform(-96, -90))
        hiss = mix.rng.standard_normal(mix.frames, np.float32)
        mix.noise[mic] += hiss * np.float32(10 ** (floor_dbfs / 20))
        mix.note("low_level", mic, 0.0, mix.duration_s, speech_dbfs=wanted_dbfs)


def noisy(rng: Generator) -> dict[str, Any]:
    """Ask for a loud place."""
    return {"speech_to_noise_db": float(rng.uniform(8, 19))}


def interrupted(rng: Generator) -> dict[str, Any]:
    """Ask for an interviewer who talks over answers, and says "mm" under them."""
    return {"interruptions": int(rng.integers(2, 5)), "assents": True}


def same_place(rng: Generator) -> dict[str, Any]:
    """Ask for the camera's own microphones."""
    even = float(rng.uniform(-14, -6))
    return {
        "one_place": True,
        "peak_dbfs": dict.fromkeys(ROLES, even),
        "latency_ms": dict.fromkeys(ROLES, 0.0),
        "distance_m": float(rng.uniform(0.9, 1.6)),
    }
