"""Mixes the spoken lines into three takes, and says what was done to them where.

The same call always gives the same samples.

    >>> scene = mix_take(2)
    >>> scene.samples.shape[1], [damage.kind for damage in scene.damages]
    (2, ['clipping', 'dropout'])
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Literal, NamedTuple

import numpy as np
import soundfile
from scipy import signal

from dualmic.lock_keeper.room import (
    RATE_HZ,
    full_band,
    gain,
    impulse_response,
    rms,
    room_tone,
)
from dualmic.lock_keeper.script import TAKES

VOICES = Path(__file__).parent / "voices"

SPEECH_DBFS = -24.0
ROOM_TONE_DBFS = -56.0


class Seating(NamedTuple):
    """How each person's voice reaches the other's microphone, relative to their own."""

    leak_db: dict[str, float]
    delay_s: dict[str, float]


BENCH = Seating(
    {"interviewer": -14.5, "subject": -14.0}, {"interviewer": 0.0034, "subject": 0.0037}
)
"""Side by side, about 1.2 m further to the other's microphone than to one's own."""
GATE = Seating({"interviewer": -24.5, "subject": -24.0}, {"interviewer": 0.0072, "subject": 0.0075})
"""On either side of the lock gate, 2.5 m apart: the other microphone is no rescue there."""
SEATINGS = {1: BENCH, 2: GATE, 3: GATE}

RAISED_VOICE_DB = 9.0
PREAMP_CEILING = 0.6
"""The input gives way before full scale: the level was turned down after it, as cameras do."""
DROPOUT_S = 0.4
DEAD_INPUT_DBFS = -92.0

Person = Literal["interviewer", "subject"]
PEOPLE: tuple[Person, Person] = ("interviewer", "subject")


@dataclass(frozen=True)
class Line:
    """One line as it lies in the take; ``number`` is the exchange's, from 1."""

    speaker: Person
    number: int
    start_s: float
    end_s: float


@dataclass(frozen=True)
class Damage:
    """What was done to one microphone; ``kind`` is the name the problem has in a record."""

    kind: str
    mic: Person
    start_s: float
    end_s: float


@dataclass(frozen=True)
class Scene:
    """A mixed take, ``(frames, 2)`` float64 at 48 kHz, interviewer first, and its truth."""

    number: int
    samples: np.ndarray
    lines: list[Line]
    damages: list[Damage]


def mix_take(number: int) -> Scene:
    """Mix take 1 (good), 2 (a clipped answer and a dropout) or 3 (a microphone unplugged)."""
    rng = np.random.default_rng(seed=number)
    lines, voices = _lay_out(number, rng)
    samples = _through_the_air(voices, SEATINGS[number], rng) + room_tone(
        len(voices), ROOM_TONE_DBFS, rng
    )
    damages = []
    if number == 2:
        damages = [_clip(samples, lines[3]), _drop(samples, lines[5])]
    if number == 3:
        damages = [_unplug(samples, lines[3], rng)]
    return Scene(number, samples, lines, damages)


def _lay_out(number: int, rng: np.random.Generator) -> tuple[list[Line], np.ndarray]:
    """Put the take's lines one after the other; return them and the dry voices ``(frames, 2)``."""
    lines: list[Line] = []
    spoken: list[np.ndarray] = []
    at_s = 5.0
    for place, exchange in enumerate(TAKES[number]):
        for speaker, part in zip(PEOPLE, ("question", "answer"), strict=True):
            samples, rate_hz = soundfile.read(VOICES / f"{part}-{exchange}.flac")
            level_db = SPEECH_DBFS + rng.uniform(-1, 1)
            if part == "answer" and number == 2 and place == 1:
                level_db += RAISED_VOICE_DB
            voice = full_band(samples, rate_hz, rng)
            spoken.append(voice * gain(level_db) / rms(voice))
            lines.append(Line(speaker, exchange, at_s, at_s + len(voice) / RATE_HZ))
            pause_s = rng.uniform(1.0, 1.8) if part == "question" else rng.uniform(2.4, 3.6)
            at_s = lines[-1].end_s + pause_s
    voices = np.zeros((round((at_s + 2.5) * RATE_HZ), 2))
    for line, voice in zip(lines, spoken, strict=True):
        start = round(line.start_s * RATE_HZ)
        voices[start : start + len(voice), PEOPLE.index(line.speaker)] = voice
    return lines, voices


def _through_the_air(voices: np.ndarray, seating: Seating, rng: np.random.Generator) -> np.ndarray:
    """Return what both microphones hear of both voices."""
    heard = np.zeros_like(voices)
    for mouth, speaker in enumerate(PEOPLE):
        own = impulse_response(0, direct=0.9, reflections=4, rng=rng)
        away = impulse_response(seating.delay_s[speaker], direct=0.6, reflections=9, rng=rng)
        at_own = signal.oaconvolve(voices[:, mouth], own)[: len(voices)]
        at_other = signal.oaconvolve(voices[:, mouth], away)[: len(voices)]
        heard[:, mouth] += at_own
        heard[:, 1 - mouth] += (
            at_other * gain(seating.leak_db[speaker]) * rms(at_own) / rms(at_other)
        )
    return heard


def _clip(samples: np.ndarray, line: Line) -> Damage:
    """Let the subject's input give way in one answer; the damage spans first to last flat top."""
    mic = samples[round(line.start_s * RATE_HZ) : round(line.end_s * RATE_HZ), 1]
    flat = np.flatnonzero(np.abs(mic) >= PREAMP_CEILING)
    np.clip(mic, -PREAMP_CEILING, PREAMP_CEILING, out=mic)
    start_s, end_s = line.start_s + flat[[0, -1]] / RATE_HZ
    return Damage("clipping", "subject", float(start_s), float(end_s))


def _drop(samples: np.ndarray, line: Line) -> Damage:
    """Silence the subject's link for a moment, where the middle of the answer is loudest."""
    frames = round(DROPOUT_S * RATE_HZ)
    third = round((line.end_s - line.start_s) * RATE_HZ / 3)
    first = round(line.start_s * RATE_HZ) + third
    power = np.cumsum(samples[first : first + third, 1] ** 2)
    start = first + int(np.argmax(power[frames:] - power[:-frames])) + 1
    samples[start : start + frames, 1] = 0
    return Damage("dropout", "subject", start / RATE_HZ, (start + frames) / RATE_HZ)


def _unplug(samples: np.ndarray, line: Line, rng: np.random.Generator) -> Damage:
    """Pull the subject's plug in the middle of an answer: a thump, then the input's own hiss."""
    start = round((line.start_s + line.end_s) / 2 * RATE_HZ)
    mic = samples[start:, 1]
    seconds = np.arange(len(mic)) / RATE_HZ
    mic[:] = gain(DEAD_INPUT_DBFS) * rng.standard_normal(len(mic))
    mic += 0.25 * np.exp(-seconds / 0.015) * np.sin(2 * np.pi * 70 * seconds)
    return Damage("mic_dead", "subject", start / RATE_HZ, len(samples) / RATE_HZ)
