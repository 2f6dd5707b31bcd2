"""Damage between the microphone and the recorder: lost sound, dead microphones, swapped wires."""

import numpy as np

from scenes.damage_sounds import hum_sound
from scenes.mix import Mix, span
from scenes.model import ROLES, SAMPLE_RATE_HZ

# Our choice: the hiss a muted receiver gives, under the microphone's own floor by this much.
MUTED_BELOW_FLOOR_DB = (22.0, 35.0)


def _mute(mix: Mix, mic: str, start_s: float, end_s: float, how: str) -> None:
    part = span(start_s, end_s)
    recorded = mix.recorded[mic]
    if how == "zeros":
        recorded[part] = 0
    elif how == "held":
        recorded[part] = recorded[part.start]
    else:
        below_db = mix.rng.uniform(*MUTED_BELOW_FLOOR_DB)
        level = np.sqrt(mix.noise_power(mic)) * 10 ** (-below_db / 20)
        hiss = mix.rng.standard_normal(part.stop - part.start)
        recorded[part] = (hiss * level).astype(np.float32)


def dropout(mix: Mix) -> None:
    """Lose the sound for 5 ms to 3 s, on one microphone or both, in speech."""
    first = mix.pick_mic()
    for _ in range(int(mix.rng.integers(3, 6))):
        length_s = float(np.exp(mix.rng.uniform(np.log(0.006), np.log(3.0))))
        length_s = round(length_s * SAMPLE_RATE_HZ) / SAMPLE_RATE_HZ
        mic = first if mix.rng.uniform() < 0.8 else None
        start_s = mix.place(length_s, "speech", first, share=0.9 if length_s < 0.1 else 0.6)
        if start_s is None:
            continue
        how = str(mix.rng.choice(["zeros", "held", "hiss"], p=[0.5, 0.25, 0.25]))
        how = mix.settings.get("how", how)
        for each in ROLES if mic is None else (mic,):
            _mute(mix, each, start_s, start_s + length_s, how)
        mix.note("dropout", mic, start_s, start_s + length_s, how=how)


def mic_dead(mix: Mix) -> None:
    """Kill a microphone: throughout or from a moment on; silence, hiss or hum is left."""
    mic = mix.pick_mic()
    start_s = 0.0
    if mix.rng.uniform() < 0.5:
        start_s = float(mix.rng.uniform(0.2, 0.45)) * mix.duration_s
    end_s = mix.duration_s
    how = mix.settings.get("how") or str(mix.rng.choice(["silence", "hiss", "hum"]))
    part = span(start_s, end_s)
    frames = mix.frames - part.start
    floor = np.sqrt(mix.noise_power(mic))
    left = np.zeros(frames, np.float32)
    if how == "hiss":
        left = mix.rng.standard_normal(frames, np.float32) * np.float32(floor * 0.3)
    elif how == "hum":
        left = hum_sound(mix, frames)[0] * np.float32(floor * 3)
        left += mix.rng.standard_normal(frames, np.float32) * np.float32(floor * 0.1)
    mix.recorded[mic][part.start :] = left
    mix.reserve(start_s, end_s)
    mix.note("mic_dead", mic, start_s, end_s, how=how)
    also = ["dropout", "low_level", "noise", "level_jump", "background_change", "crosstalk"]
    for kind in [*also, "hum"] if how == "hum" else also:
        mix.note(kind, mic, max(start_s - 1, 0), end_s, "may")
    mix.note("crosstalk", None, 0.0, end_s, "may")
    mix.notes["unheard"] = mic, start_s, end_s


def polarity(mix: Mix) -> None:
    """Swap the wires of one microphone."""
    mic = mix.pick_mic()
    mix.recorded[mic] *= -1
    mix.polarity = "opposite"
    measured = mix.notes["measured"]
    # A leak well under the noise carries no sign.
    heard = []
    for speaker, into in (ROLES, ROLES[::-1]):
        leak_dbfs = measured["speech_dbfs"][speaker] + (measured["plain"][speaker] or -99)
        heard.append(leak_dbfs - (measured["noise_dbfs"][into] or -99))
    expect = "must" if min(heard) > 6 else "may"
    mix.note("polarity", None, 0.0, mix.duration_s, expect, leak_over_noise_db=min(heard))


def one_place(mix: Mix) -> None:
    """State what the settings asked for: both channels are the camera's own microphones."""
    mix.note("one_place", None, 0.0, mix.duration_s)
    for kind in ("crosstalk", "dual_mono", "both_talking", "noise"):
        mix.note(kind, None, 0.0, mix.duration_s, "may")


def dual_mono(mix: Mix) -> None:
    """Record one microphone on both channels, throughout or for a part, a gain between them."""
    source = mix.pick_mic()
    copy = ROLES[1 - ROLES.index(source)]
    start_s, end_s = 0.0, mix.duration_s
    if mix.rng.uniform() < 0.5:
        length_s = float(mix.rng.uniform(10, 25))
        found = mix.place(length_s, "any", source)
        if found is not None:
            start_s, end_s = found, found + length_s
    else:
        mix.reserve(start_s, end_s)
    gain_db = float(mix.rng.choice([0.0, mix.rng.uniform(-10, 3)]))
    part = span(start_s, end_s)
    mix.recorded[copy][part] = mix.recorded[source][part] * np.float32(10 ** (gain_db / 20))
    mix.note("dual_mono", None, start_s, end_s, gain_db=gain_db)
    for kind in (
        "crosstalk",
        "both_talking",
        "level_jump",
        "mic_dead",
        "background_change",
        "noise",
    ):
        mix.note(kind, None, max(start_s - 1, 0), end_s + 1, "may")
    mix.notes["unheard"] = copy, start_s, end_s
