"""A scene while it is being made: its parts, still apart, and where damage was already put."""

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from scenes.dialogue import Dialogue
from scenes.levels import noise_power
from scenes.model import FRAME_S, ROLES, SAMPLE_RATE_HZ, Damage, Expect, Half, Samples, other
from scenes.rooms import Room

# Our choice: two damages of one scene keep this far apart, so that each can be told from the other.
CLEARANCE_S = 2.5


@dataclass
class Mix:
    """The parts of a recording at recorded level, each known alone.

    ``voice[speaker][mic]`` and ``noise[mic]`` are ``(frames,)`` and add up to what the microphone
    picks up; ``voice_rms[role]`` is about the level of a voice in its own microphone while active;
    ``extra[mic]`` is damage that is added (wind, rustle, clicks) and no part of the
    noise floor; ``turned[mic]`` is the gain, by sample, of an input that somebody turned.
    ``recorded[mic]`` holds the sum once :meth:`add_up` was called.
    """

    rng: np.random.Generator
    half: Half
    room: Room
    dialogue: Dialogue
    voice: dict[str, dict[str, Samples]]
    noise: dict[str, Samples]
    voice_rms: dict[str, float]
    settings: dict[str, Any]
    extra: dict[str, Samples] = field(default_factory=dict)
    turned: dict[str, Samples] = field(default_factory=dict)
    recorded: dict[str, Samples] = field(default_factory=dict)
    damage: list[Damage] = field(default_factory=list)
    polarity: str = "same"
    output_gain: dict[str, float] = field(default_factory=lambda: dict.fromkeys(ROLES, 1.0))
    storage: str = "wav24"
    notes: dict[str, Any] = field(default_factory=dict)
    _busy: list[tuple[float, float]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.extra = {mic: np.zeros(self.frames, np.float32) for mic in ROLES}

    @property
    def frames(self) -> int:
        return len(self.noise[ROLES[0]])

    @property
    def duration_s(self) -> float:
        return self.frames / SAMPLE_RATE_HZ

    def add_up(self) -> None:
        """Add the parts of each microphone."""
        for mic in ROLES:
            self.recorded[mic] = (
                self.voice[ROLES[0]][mic]
                + self.voice[ROLES[1]][mic]
                + self.noise[mic]
                + self.extra[mic]
            )

    def scale_all(self, mic: str, gain: float | Samples) -> None:
        """Apply a gain (or a gain curve) to everything one microphone picks up."""
        gain = np.asarray(gain, np.float32)
        for speaker in ROLES:
            self.voice[speaker][mic] *= gain
        self.noise[mic] *= gain
        self.extra[mic] *= gain

    def note(
        self,
        kind: str,
        mic: str | None,
        start_s: float,
        end_s: float,
        expect: Expect = "must",
        **details: Any,
    ) -> None:
        """Write a damage into the truth."""
        self.damage.append(Damage(kind, mic, float(start_s), float(end_s), expect, details))

    def pick_mic(self) -> str:
        """Draw a microphone; the subject's twice as often, for it matters more."""
        return ROLES[int(self.rng.integers(3) > 0)]

    def place(self, length_s: float, where: str, mic: str, *, share: float = 0.6) -> float | None:
        """Find a free moment and reserve it.

        Args:
            length_s: how long the damage lasts.
            where: ``"speech"`` (the wearer is active in ``share`` of it), ``"pause"`` (nobody is)
                or ``"any"``.
            mic: whose microphone.
            share: see ``where``.

        Returns:
            The start in seconds, or ``None`` where there is no such moment.

        """
        length = max(round(length_s / FRAME_S), 1)
        active = self.dialogue.active
        if where == "pause":
            wanted, share = ~(active[ROLES[0]] | active[ROLES[1]]), 1.0
        elif where == "speech":
            wanted = active[mic]
        else:
            wanted, share = np.ones_like(active[mic]), 1.0
        total = np.concatenate(([0], np.cumsum(wanted)))
        first = round(1.0 / FRAME_S)
        last = len(wanted) - length - round(1.0 / FRAME_S)
        if last <= first:
            return None
        starts = np.arange(first, last)
        good = total[starts + length] - total[starts] >= share * length
        for begin_s, end_s in self._busy:
            low = (begin_s - CLEARANCE_S - length_s) / FRAME_S
            good &= ~((starts > low) & (starts < (end_s + CLEARANCE_S) / FRAME_S))
        choice = starts[good]
        if not len(choice):
            return None
        start_s = float(self.rng.choice(choice)) * FRAME_S
        self.reserve(start_s, start_s + length_s)
        return start_s

    def reserve(self, start_s: float, end_s: float) -> None:
        """Keep later damage away from here."""
        self._busy.append((start_s, end_s))

    def noise_power(self, mic: str, weighting: str = "flat") -> float:
        """Return the noise's own power in the pauses, as a floor is defined."""
        return noise_power(self.noise[mic], self.pauses(), weighting) or 1e-12

    def pauses(self) -> npt.NDArray[np.bool_]:
        """Frames in which nobody speaks: 0.3 s after to 0.1 s before speech."""
        speech = self.dialogue.active[ROLES[0]] | self.dialogue.active[ROLES[1]]
        spread = np.convolve(speech, np.ones(41))[10 : 10 + len(speech)] > 0
        return ~spread

    def single_talk(self, speaker: str) -> npt.NDArray[np.bool_]:
        """Frames in which only ``speaker`` speaks, the other not within 0.3 s."""
        theirs = self.dialogue.active[other(speaker)]
        near = np.convolve(theirs, np.ones(61))[30 : 30 + len(theirs)] > 0
        return self.dialogue.active[speaker] & ~near


def span(start_s: float, end_s: float) -> slice:
    """Return the samples from ``start_s`` to ``end_s``."""
    return slice(round(start_s * SAMPLE_RATE_HZ), round(end_s * SAMPLE_RATE_HZ))
