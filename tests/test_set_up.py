"""What to change before the next take: every kind of problem asks for something."""

from types import SimpleNamespace
from typing import cast

import pytest

from dualmic.findings.base import Finding
from dualmic.hearing import Hearing
from dualmic.problems import WORDS
from dualmic.record import Roles
from dualmic.set_up import MANY_JUMPS, advice

ROLES = Roles(1, 2, "default")
# Files are copied again, and a limit of a mix is no matter of set-up; gain is told from peaks.
OF_FILES = {"truncated", "bad_samples", "low_level", "clipping"}


def hearing(peak_dbfs: float = -14.0) -> Hearing:
    """Speech near its usual peak in both microphones."""
    measured = SimpleNamespace(is_float=False)
    told = SimpleNamespace(
        speech_peak_dbfs=(peak_dbfs, peak_dbfs), measured=measured, speech_s=lambda mic: 60.0
    )
    return cast(Hearing, told)


def found(
    kind: str, mic: int | None = 1, start_s: float = 5.0, severity: str = "warn", **facts: object
) -> Finding:
    return Finding(kind, mic, start_s, start_s + 1.0, severity, 1.0, 2.0, "dB", facts=facts)  # type: ignore[arg-type]


@pytest.mark.parametrize("kind", sorted(set(WORDS) - OF_FILES))
@pytest.mark.parametrize("severity", ["warn", "note"])
def test_what_is_heard_asks_for_something_and_a_note_for_nothing(kind: str, severity: str) -> None:
    both = kind in ("polarity", "dual_mono", "one_place", "both_talking")
    told = advice(hearing(), [found(kind, None if both else 1, severity=severity)], ROLES)
    assert len(told) == (severity == "warn")


@pytest.mark.parametrize("apart_s", [0.0, 20.0])
def test_what_both_lose_at_once_is_looked_for_in_what_they_share(apart_s: float) -> None:
    told = advice(hearing(), [found("dropout", 0), found("dropout", 1, 5.0 + apart_s)], ROLES)
    assert ("recorder" in told[0]) == (apart_s == 0.0)
    assert len(told) == (1 if apart_s == 0.0 else 2)


def test_a_gain_that_jumps_often_sets_itself() -> None:
    jumps = [found("level_jump", 1, 10.0 * k) for k in range(MANY_JUMPS)]
    assert "by hand" in advice(hearing(), jumps, ROLES)[0]
    assert "by hand" not in advice(hearing(), jumps[:-1], ROLES)[0]


@pytest.mark.parametrize("windy", [False, True])
def test_gusts_that_are_louder_than_the_words_turn_no_input_down(windy: bool) -> None:
    told = advice(hearing(peak_dbfs=-2.0), [found("wind", 1)] if windy else [], ROLES)
    assert any("subject's input down" in sentence for sentence in told) != windy
    assert any("interviewer's input down" in sentence for sentence in told)
