"""A take: two people, two microphones, what each holds before and after damage, and the truth.

What ``channels`` holds and ``undamaged`` does not is the damage, to the sample.
"""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from scipy import signal

from .sounds import delayed, gain, response, rms
from .voices import LEVEL_DBFS, RATE_HZ

FRAME_S = 0.01
BRIDGED_S = 0.7  # a pause within one person's speech that is not the end of a turn


@dataclass
class Instance:
    """One stretch of damage. ``mic``: 0 interviewer, 1 subject, None both."""

    kind: str
    mic: int | None
    start_s: float
    end_s: float
    owed: bool = True  # False: borderline, neither a miss nor an alarm
    also: tuple[str, ...] = ()  # kinds by which a listener might call it as well


@dataclass
class Take:
    kind: str
    manner: str
    rng: np.random.Generator
    seconds: float
    root: Path
    part: str
    speakers: list[str]
    dry: np.ndarray  # (2, frames) each voice at the level of its utterances: who speaks when
    own: np.ndarray  # (2, frames) each voice in its own microphone, before gain
    leak: np.ndarray  # (2, frames) the other's voice
    noise: np.ndarray  # (2, frames)
    gains: np.ndarray = field(default_factory=lambda: np.ones(2))
    paths: list[Any] = field(default_factory=list)  # own and leak response of each voice
    late_s: list[float] = field(default_factory=lambda: [0.0, 0.0])  # each microphone's link
    channels: np.ndarray = field(default_factory=lambda: np.zeros((2, 0)))
    undamaged: np.ndarray = field(default_factory=lambda: np.zeros((2, 0)))
    turns: list[tuple[int, float, float]] = field(default_factory=list)
    instances: list[Instance] = field(default_factory=list)
    write: dict[str, Any] = field(default_factory=dict)
    turns_count: bool = True  # False: the damage leaves it open who speaks

    @property
    def frames(self) -> int:
        return self.dry.shape[1]

    def voice_level(self, mic: int) -> float:
        """Return the RMS of the wearer's voice in its microphone, after gain."""
        speaks = np.repeat(spoken(self.dry[mic]), round(FRAME_S * RATE_HZ))
        return float(self.gains[mic]) * rms(self.own[mic, : len(speaks)][speaks])

    def mix(self) -> None:
        self.channels = self.gains[:, None] * (self.own + self.leak + self.noise)
        for mic, late_s in enumerate(self.late_s):
            if late_s:
                self.channels[mic] = delayed(self.channels[mic], late_s)
        self.undamaged = self.channels.copy()

    def say(self, who: int, at_s: float, sound: np.ndarray, to_mix: bool = False) -> float:
        """Let somebody speak; both microphones hear it. Return when the words end."""
        at = round(at_s * RATE_HZ)
        sound = sound[: self.frames - at]
        self.dry[who, at : at + len(sound)] += sound
        for mic, parts in ((who, self.own), (1 - who, self.leak)):
            heard = self.heard(who, mic, sound)[: self.frames - at]
            parts[mic, at : at + len(heard)] += heard
            if to_mix:
                self.put(mic, at_s + self.late_s[mic], heard * self.gains[mic])
        return at_s + len(sound) / RATE_HZ

    def heard(self, who: int, mic: int, sound: np.ndarray) -> np.ndarray:
        return signal.oaconvolve(sound, self.paths[who][mic != who])

    def put(self, mic: int, at_s: float, sound: np.ndarray) -> None:
        """Add a sound to the finished channel."""
        at = round(at_s * RATE_HZ)
        part = self.channels[mic, at : at + len(sound)]
        part += sound[: len(part)]

    def put_in_room(self, at_s: float, sound: np.ndarray, apart_db: float = 2.0) -> None:
        """Add a sound of the room: each microphone hears it over a path of its own."""
        for mic in (0, 1):
            path = response(self.rng, 0.3, 3, self.rng.uniform(0.003, 0.012))
            level = self.gains[mic] * gain(self.rng.uniform(-apart_db, 0))
            self.put(mic, at_s, signal.oaconvolve(sound, path) * level)

    def wrong(self, mic: int | None, start_s: float, end_s: float, **more: Any) -> None:
        kind = more.pop("kind", self.kind)
        self.instances.append(Instance(kind, mic, float(start_s), float(end_s), **more))

    def somebody(self) -> int:
        """Return the microphone to damage: more often the subject's."""
        return int(self.rng.random() < 0.65)

    def moments(self, who: int, length_s: float, count: int, in_pauses=0.4, gap_s=4.0):
        """Return moments within the person's speech or in pauses, in order, apart."""
        chosen: list[tuple[float, bool]] = []
        pauses, speech = self.pauses(), self.speech(who)
        for _ in range(300):
            pause = self.rng.random() < in_pauses
            at_s = self.within(pauses, length_s, 0.15) if pause else self.within(speech, length_s)
            if at_s is None or not 1 < at_s < self.seconds - length_s - 1:
                continue
            if all(abs(at_s - other) > length_s + gap_s for other, _ in chosen):
                chosen.append((at_s, pause))
            if len(chosen) == count:
                break
        return sorted(chosen)

    def middle(self, who: int | None = None) -> float:
        """Return a moment in the middle half: in a pause, or while somebody speaks."""
        stretches, margin_s = (self.pauses(), 0.15) if who is None else (self.speech(who), 0.3)
        for _ in range(200):
            at_s = self.within(stretches, 0.2, margin_s)
            if at_s and 0.25 < at_s / self.seconds < 0.75:
                return at_s
        return self.rng.uniform(0.3, 0.7) * self.seconds

    def speech(self, who: int) -> list[tuple[float, float]]:
        return spans(bridged(spoken(self.dry[who]), 0.4))

    def pauses(self) -> list[tuple[float, float]]:
        return spans(~(bridged(spoken(self.dry[0]), 0.3) | bridged(spoken(self.dry[1]), 0.3)))

    def within(self, stretches, length_s: float, margin_s: float = 0.3) -> float | None:
        """Return a moment in one of the stretches that are long enough."""
        wide = [(a, b) for a, b in stretches if b - a > length_s + 2 * margin_s]
        if not wide:
            return None
        start_s, end_s = wide[self.rng.integers(len(wide))]
        return self.rng.uniform(start_s + margin_s, end_s - margin_s - length_s)

    def talk(self) -> list[list[tuple[float, float]]]:
        """Return who speaks when, pauses within speech bridged."""
        return [spans(bridged(spoken(voice), BRIDGED_S)) for voice in self.dry]


def spoken(voice: np.ndarray) -> np.ndarray:
    """Return for each frame whether there is voice: 32 dB under its level is none."""
    frame = round(FRAME_S * RATE_HZ)
    power = (voice[: len(voice) // frame * frame].reshape(-1, frame) ** 2).mean(axis=1)
    return 10 * np.log10(power + 1e-14) > LEVEL_DBFS - 32


def spans(active: np.ndarray) -> list[tuple[float, float]]:
    edges = np.flatnonzero(np.diff(np.r_[0, active.astype(int), 0]))
    return [(float(a * FRAME_S), float(b * FRAME_S)) for a, b in edges.reshape(-1, 2)]


def bridged(active: np.ndarray, up_to_s: float) -> np.ndarray:
    active = active.copy()
    for start_s, end_s in spans(~active):
        start, end = round(start_s / FRAME_S), round(end_s / FRAME_S)
        if start > 0 and end < len(active) and end_s - start_s < up_to_s:
            active[start:end] = True
    return active
