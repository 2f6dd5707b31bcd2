"""What a scene is made of: its samples and the truth about them."""

from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

SAMPLE_RATE_HZ = 48_000
ROLES = ("interviewer", "subject")
FRAME_S = 0.010

Half = Literal["tuning", "reporting"]
Expect = Literal["must", "note", "may"]
Samples = npt.NDArray[np.float32]


def other(role: str) -> str:
    """Return the other person: ``other("subject")`` is ``"interviewer"``."""
    return ROLES[1 - ROLES.index(role)]


@dataclass(frozen=True)
class Utterance:
    """One person's clean speech; ``kind`` is question, answer, assent or interruption."""

    speaker: str
    start_s: float
    end_s: float
    kind: str


@dataclass(frozen=True)
class Damage:
    """One thing that is wrong with the scene.

    ``mic`` is ``None`` where both microphones are concerned. ``expect`` says what a tool owes:
    ``must`` report it as a problem; ``note`` may report it, only as a note; ``may`` report it or
    not (near a limit, or a side effect of another damage).
    """

    kind: str
    mic: str | None
    start_s: float
    end_s: float
    expect: Expect = "must"
    details: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Truth:
    """Everything known about a scene.

    ``active`` holds, per person, one bool per 10 ms frame. ``leak_db[A]`` is the K-weighted level
    of A's voice in the other microphone relative to A's own, while only A speaks, as recorded
    (gains included); ``leak_levelled_db`` is the same after both microphones' speech is brought to
    one loudness. ``delay_ms[A]`` is how much later A's voice reaches the other microphone.
    ``noise_dbfs`` and ``noise_dba`` are of the noise alone, in the pauses.
    """

    utterances: list[Utterance]
    active: dict[str, npt.NDArray[np.bool_]]
    gain_db: dict[str, float]
    leak_db: dict[str, float | None]
    leak_plain_db: dict[str, float | None]
    leak_levelled_db: dict[str, float | None]
    delay_ms: dict[str, float]
    latency_ms: dict[str, float]
    polarity: str
    noise_dbfs: dict[str, float | None]
    noise_dba: dict[str, float | None]
    speech_dbfs: dict[str, float | None]
    speech_to_noise_db: dict[str, float | None]
    damage: list[Damage]
    settings: dict[str, Any]


@dataclass(frozen=True)
class Scene:
    """A recording ``samples`` (frames, 2), its truth, and how to store it (``scenes.store``)."""

    samples: Samples
    sample_rate_hz: int
    truth: Truth
    storage: str = "wav24"
