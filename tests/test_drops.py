"""Short cracks again and again are one line, and in both microphones they are rain."""

import pytest

from dualmic.findings.base import Finding
from dualmic.findings.drops import gathered
from dualmic.problems import to_problems
from dualmic.record import Roles

ROLES = Roles(1, 2, "asked for")


def cracks(mic: int, count: int, every_s: float = 3.0, over_db: float = 18.0) -> list[Finding]:
    """Return notes of cracks that follow each other."""
    times_s = [1.0 + mic + every_s * k for k in range(count)]
    return [Finding("click", mic, at, at + 0.003, "note", over_db, 16.0, "dB") for at in times_s]


def test_drops_on_both_microphones_are_one_line_for_each() -> None:
    faint = Finding("click", 1, 10.0, 10.003, "warn", 19.0, 16.0, "dB")
    sharp = Finding("click", 1, 20.0, 20.003, "warn", 40.0, 16.0, "dB")
    found = gathered([sharp, faint, *cracks(0, 12), *cracks(1, 20)])
    assert [(f.mic, f.severity, f.count) for f in found] == [
        (1, "warn", 1), (0, "note", 12), (1, "note", 21),
    ]  # fmt: skip
    assert found[0] == sharp
    problems = to_problems(found, ROLES, None)
    assert ["rain" in p.heard for p in problems] == [False, True, True]


@pytest.mark.parametrize(
    "found",
    [cracks(1, 7), cracks(1, 20, every_s=31.0), cracks(1, 20, over_db=40.0)],
    ids=["few", "far apart", "abrupt"],
)
def test_what_cracks_now_and_then_or_abruptly_stays_by_itself(found: list[Finding]) -> None:
    assert gathered(found) == found


def test_cracks_of_one_microphone_alone_are_one_note_but_no_rain() -> None:
    """As of a plug: what cracks under words stays a warning."""
    spoken = Finding("click", 1, 10.0, 10.003, "warn", 19.0, 16.0, "dB")
    found = gathered([spoken, *cracks(1, 20)])
    assert [(f.severity, f.count) for f in found] == [("warn", 1), ("note", 20)]
    assert all("rain" not in p.heard for p in to_problems(found, ROLES, None))
