"""Things that fool a careless detector; none of them is a problem of the name it resembles.

What is nearly a problem is stated as ``note`` or ``may`` in the truth; everything else a tool
reports in such a scene is a false alarm.
"""

from typing import Any

import numpy as np
from scipy import signal

from scenes.damage_sounds import hum_sound
from scenes.dialogue import Dialogue
from scenes.kind import Kind
from scenes.levels import FRAME
from scenes.mix import Mix, span
from scenes.model import ROLES, SAMPLE_RATE_HZ
from scenes.noises import coloured, unit

Generator = np.random.Generator


def _quiet_hum(mix: Mix) -> None:
    """Quiet 16-bit hum: flat tops in every period, and no clipping."""
    for mic in ROLES:
        gain = 10 ** (-46 / 20) / mix.voice_rms[mic]
        mix.scale_all(mic, gain)
        mix.voice_rms[mic] *= gain
        mix.notes["gain_db"][mic] += float(20 * np.log10(gain))
        mix.noise[mic] += hum_sound(mix, mix.frames)[0] * np.float32(10 ** (-84 / 20))
        for kind in ("hum", "low_level", "noise"):
            mix.note(kind, mic, 0.0, mix.duration_s, "may")
    mix.storage = "wav16"


def _muting_pack(mix: Mix) -> None:
    """A pack that mutes itself between words of its wearer: digital silence in most pauses."""
    mic = mix.pick_mic()
    active = mix.dialogue.active[mic]
    # Opens 60 ms before a word (the pack looks ahead) and holds for 250 ms.
    open_ = np.convolve(active, np.ones(32))[6 : 6 + len(active)] > 0
    gate = np.repeat(open_, FRAME)
    mix.recorded[mic] = mix.recorded[mic][: len(gate)] * gate
    mix.note("dropout", mic, 0.0, mix.duration_s, "note", how="mutes itself in pauses")
    for kind in ("background_change", "level_jump"):
        mix.note(kind, mic, 0.0, mix.duration_s, "note")
    # What leaks is muted too, so neither leak nor polarity nor noise can be known from there.
    mix.notes["muted"] = mic


def _padding(mix: Mix) -> None:
    """Silence that an AAC encoder pads the head and the tail with."""
    for mic in ROLES:
        mix.recorded[mic][span(0, 0.0464)] = 0
        mix.recorded[mic][span(mix.duration_s - 0.03, mix.duration_s)] = 0
    mix.storage = "aac"


def _mouth_noises(rng: Generator, dialogue: Dialogue) -> None:
    """Lip smacks and tongue clicks in the pauses of both people."""
    for role in ROLES:
        active = dialogue.active[role]
        for _ in range(len(active) // 600):
            at = int(rng.integers(100, len(active) - 100)) * FRAME
            length = int(rng.uniform(0.006, 0.015) * SAMPLE_RATE_HZ)
            time = np.arange(length) / SAMPLE_RATE_HZ
            ring = np.sin(2 * np.pi * rng.uniform(1200, 3500) * time) * np.exp(-time / 0.003)
            rough = ring * (0.6 + 0.4 * rng.standard_normal(length)) * np.hanning(length) ** 0.5
            dialogue.voice[role][at : at + length] += (rough * rng.uniform(0.1, 0.35)).astype("f4")


def _breath_and_laughter(rng: Generator, dialogue: Dialogue) -> None:
    """Breaths before speech, and a laugh after some answers."""
    for said in list(dialogue.utterances):
        if said.kind == "assent" or rng.uniform() < 0.3:
            continue
        voice = dialogue.voice[said.speaker]
        length = int(rng.uniform(0.3, 0.7) * SAMPLE_RATE_HZ)
        begin = round(said.start_s * SAMPLE_RATE_HZ) - length
        if begin > SAMPLE_RATE_HZ:
            lungs = signal.butter(2, (500, 6000), "bandpass", fs=SAMPLE_RATE_HZ, output="sos")
            breath = unit(signal.sosfilt(lungs, coloured(rng, length, -2.0)) * np.hanning(length))
            voice[begin : begin + length] += breath * np.float32(10 ** (rng.uniform(-24, -14) / 20))
    for said in [s for s in dialogue.utterances if s.kind == "answer"][::2]:
        at = round(said.end_s * SAMPLE_RATE_HZ) + 4800
        for number in range(int(rng.integers(4, 8))):
            length = int(0.11 * SAMPLE_RATE_HZ)
            begin = at + number * int(0.2 * SAMPLE_RATE_HZ)
            if begin + length > len(dialogue.voice[said.speaker]):
                break
            _laugh_syllable(rng, dialogue, said.speaker, begin, length, 0.8 - 0.07 * number)


def _laugh_syllable(
    rng: Generator, dialogue: Dialogue, role: str, begin: int, length: int, loud: float
) -> None:
    pitch_hz = rng.uniform(160, 280)
    time = np.arange(length) / SAMPLE_RATE_HZ
    pulses = signal.sawtooth(2 * np.pi * pitch_hz * time) + 0.5 * rng.standard_normal(length)
    throat = signal.butter(2, (500, 1600), "bandpass", fs=SAMPLE_RATE_HZ, output="sos")
    syllable = unit(signal.sosfilt(throat, pulses) * np.hanning(length)) * np.float32(loud)
    dialogue.voice[role][begin : begin + length] += syllable
    dialogue.active[role][begin // FRAME : (begin + length) // FRAME] = True


def _rear_lobe(mix: Mix) -> None:
    """A directional microphone's rear lobe turns one leak over: the wires are right."""
    mic = mix.pick_mic()
    speaker = ROLES[1 - ROLES.index(mic)]
    mix.voice[speaker][mic] *= -1


def _both(mix: Mix, at_s: float, sound: np.ndarray, peak: float) -> None:
    """Make a sound in the room, heard by both microphones."""
    for mic in ROLES:
        heard = signal.oaconvolve(sound, mix.room.noise_responses[mic])
        heard *= peak * mix.voice_rms[mic] / np.abs(heard).max()
        begin = round(at_s * SAMPLE_RATE_HZ)
        end = min(begin + len(heard), mix.frames)
        mix.extra[mic][begin:end] += heard[: end - begin].astype(np.float32)


def _slate(mix: Mix) -> None:
    """A clap of the slate before the first question, and one at the end."""
    clap = mix.rng.standard_normal(480) * np.exp(-np.arange(480) / 60)
    for at_s in (0.4, mix.duration_s - 0.8):
        loudest = min(0.6 / mix.voice_rms[mic] for mic in ROLES)
        _both(mix, at_s, clap, min(8.0, loudest))


def _door_slams(mix: Mix) -> None:
    """Doors fall shut at a distance."""
    for _ in range(3):
        at_s = mix.place(0.3, "any", ROLES[1])
        if at_s is None:
            continue
        time = np.arange(9600) / SAMPLE_RATE_HZ
        low = signal.butter(2, 400, fs=SAMPLE_RATE_HZ, output="sos")
        slam = signal.sosfilt(low, mix.rng.standard_normal(9600) * np.exp(-time / 0.04))
        _both(mix, at_s, slam, float(mix.rng.uniform(0.3, 1.0)))


def _plosives(mix: Mix) -> None:
    """Breath of a "p" on the wearer's own microphone: a low thump, no click."""
    for mic in ROLES:
        for _ in range(4):
            at_s = mix.place(0.06, "speech", mic, share=0.5)
            if at_s is None:
                continue
            length = int(mix.rng.uniform(0.04, 0.08) * SAMPLE_RATE_HZ)
            low = signal.butter(2, 120, fs=SAMPLE_RATE_HZ, output="sos")
            puff = unit(signal.sosfilt(low, mix.rng.standard_normal(length)) * np.hanning(length))
            begin = round(at_s * SAMPLE_RATE_HZ)
            mix.extra[mic][begin : begin + length] += puff * np.float32(1.5 * mix.voice_rms[mic])
            mix.note("wind", mic, at_s, at_s + 0.08, "may", how="plosive")


def _hardly_asks(rng: Generator) -> dict[str, Any]:
    return {"interviewer_share": 0.12, "assents": False}


def _uneven(rng: Generator) -> dict[str, Any]:
    loud, late = (ROLES[int(rng.integers(2))] for _ in range(2))
    return {
        "peak_dbfs": {role: -4.0 if role == loud else -19.0 for role in ROLES},
        "latency_ms": {role: float(rng.uniform(15, 20)) if role == late else 0.0 for role in ROLES},
    }


def _machine(rng: Generator) -> dict[str, Any]:
    return {"noise": "machine", "speech_to_noise_db": float(rng.uniform(25, 32))}


def _machine_note(mix: Mix) -> None:
    """A machine in the room heard alike by both: its tones are there, though in no cable."""
    for mic in (*ROLES, None):
        mix.note("hum", mic, 0.0, mix.duration_s, "may", how="in the room")


def _street(rng: Generator) -> dict[str, Any]:
    noise = str(rng.choice(["babble", "traffic"]))
    return {"noise": noise, "speech_to_noise_db": float(rng.uniform(25, 30))}


FOOLERS: dict[str, Kind] = {
    "quiet 16-bit hum": Kind({"source": _quiet_hum}, whole=True),
    "pack that mutes itself": Kind({"link": _muting_pack}, whole=True),
    "AAC padding": Kind({"link": _padding}),
    "mouth noises": Kind(prepare=_mouth_noises),
    "breath and laughter": Kind(prepare=_breath_and_laughter),
    "interviewer who hardly speaks": Kind(settings=_hardly_asks),
    "uneven gains and latency": Kind(settings=_uneven),
    "rear lobe": Kind({"source": _rear_lobe}),
    "fridge or generator in the room": Kind({"source": _machine_note}, settings=_machine),
    "slate claps": Kind({"source": _slate}),
    "door slams": Kind({"source": _door_slams}),
    "plosives": Kind({"source": _plosives}),
    "voices or traffic outside": Kind(settings=_street),
}
