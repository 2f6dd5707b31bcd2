"""Scores say what they claim: of a record that is right, of one that is empty, of one that errs."""

from dataclasses import asdict
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scenes.model import ROLES, Damage, Truth
from scenes.plan import draw_plans
from scenes.score import bridged, score
from scenes.tables import poisson, table, wilson

from dualmic.record import Problem, Severity


def problem(
    kind: str, mic: Any, start_s: float, end_s: float, severity: Severity = "fail"
) -> Problem:
    return Problem(
        id=1, kind=kind, mic=mic, channel=None, start_s=start_s, end_s=end_s, start_timecode=None,
        end_timecode=None, count=1, severity=severity, value=None, limit=None, unit=None, heard="",
        advice="",
    )  # fmt: skip


def truth(*damage: Damage) -> Truth:
    active = {role: np.zeros(3000, bool) for role in ROLES}
    active["interviewer"][100:600] = True
    active["subject"][700:1500] = True
    active["subject"][1540:2500] = True  # after a pause of 0.4 s
    nothing: dict[str, Any] = dict.fromkeys(ROLES)
    return Truth(
        utterances=[], active=active, gain_db=nothing, leak_db=nothing, leak_plain_db=nothing,
        leak_levelled_db=dict.fromkeys(ROLES, -12.0), delay_ms=dict.fromkeys(ROLES, 3.0),
        latency_ms=nothing, polarity="same", noise_dbfs=nothing, noise_dba=nothing,
        speech_dbfs=nothing, speech_to_noise_db=nothing, damage=list(damage),
        settings={"duration_s": 30.0, "fooled": (), "kinds": (), "noise": "hiss"},
    )  # fmt: skip


def record(*problems: Any, turns: tuple[tuple[str, float, float], ...] = ()) -> Any:
    return SimpleNamespace(
        problems=list(problems),
        turns=[SimpleNamespace(speaker=w, start_s=a, end_s=b) for w, a, b in turns],
        mics={},
        crosstalk=None,
    )


CLICK = Damage("click", "subject", 10.0, 10.006)


def test_a_problem_at_its_place_is_found_and_no_alarm() -> None:
    result = score(truth(CLICK), record(problem("click", "subject", 10.0, 10.01)))
    assert [each["found"] for each in result.instances] == [True]
    assert result.alarms == []
    assert result.times[0]["onset_s"] == pytest.approx(0.0)
    assert result.times[0]["end_s"] == pytest.approx(0.004)


@pytest.mark.parametrize(("assent_s", "off_s"), [((14.05, 14.4), 0.0), ((14.3, 14.4), 0.4)])
def test_what_runs_on_from_what_is_owed_is_one_stretch_with_it(
    assent_s: tuple[float, float], off_s: float
) -> None:
    """An assent just behind an interruption is what both say at once, too; a later one is apart."""
    owed = Damage("both_talking", None, 12.0, 14.0, details={"said": "interruption"})
    assent = Damage("both_talking", None, *assent_s, "note", {"said": "assent"})
    told = record(problem("both_talking", None, 12.0, 14.4))
    (times,) = score(truth(owed, assent), told).times
    assert times["onset_s"] == pytest.approx(0.0)
    assert times["end_s"] == pytest.approx(off_s)


@pytest.mark.parametrize("severity", ["fail", "warn", "note"])
def test_what_is_found_as_a_note_alone_is_counted_apart(severity: str) -> None:
    said = problem("click", "subject", 10.0, 10.01, severity=severity)
    result = score(truth(CLICK), record(said))
    warned = severity != "note"
    assert [(each["found"], each["warned"]) for each in result.instances] == [(True, warned)]
    told = next(line for line in table([asdict(result)]).splitlines() if "| click |" in line)
    assert told.split(" | ")[1:4] == ["1", "1.000 (0.207 to 1.000)", f"{float(warned):.2f}"]


@pytest.mark.parametrize(
    "said",
    [
        problem("click", "interviewer", 10.0, 10.01),
        problem("click", "subject", 12.0, 12.01),
        problem("wind", "subject", 10.0, 10.01),
    ],
    ids=["wrong microphone", "wrong moment", "wrong kind"],
)
def test_a_problem_elsewhere_is_missed_and_a_false_alarm(said: Any) -> None:
    result = score(truth(CLICK), record(said))
    assert [each["found"] for each in result.instances] == [False]
    assert len(result.alarms) == 1


def test_notes_are_never_false_alarms_and_what_may_be_is_not_owed() -> None:
    may = Damage("hum", "subject", 0.0, 30.0, "may")
    note = problem("click", "subject", 20.0, 20.01, severity="note")
    result = score(truth(may), record(note, problem("hum", "subject", 1.0, 29.0)))
    assert (result.instances, result.alarms) == ([], [])


def test_a_note_reported_as_a_fault_is_a_false_alarm() -> None:
    assent = Damage("both_talking", None, 10.0, 10.3, "note")
    result = score(truth(assent), record(problem("both_talking", None, 10.0, 10.3)))
    assert len(result.alarms) == 1


def test_turns_with_bridged_pauses_are_perfect() -> None:
    turns = (("interviewer", 1.0, 6.0), ("subject", 7.0, 25.0))
    frames = score(truth(), record(turns=turns)).frames
    assert (frames["miss"], frames["invented"], frames["owner_wrong"]) == (0, 0, 0)
    # 500 and 1800 frames, ten at each edge of a turn left out.
    assert frames["hit"] == 500 - 20 + 1800 - 20


def test_swapped_speakers_are_all_wrong() -> None:
    turns = (("subject", 1.0, 6.0), ("interviewer", 7.0, 25.0))
    frames = score(truth(), record(turns=turns)).frames
    assert frames["hit"] == 0
    assert frames["owner_right"] == 0
    assert frames["owner_wrong"] > 2000


def test_pauses_of_0_7_s_stay_pauses() -> None:
    active = np.ones(300, bool)
    active[100:169] = False
    active[200:270] = False
    assert bridged(active).sum() == 230


def test_bounds_are_the_published_ones() -> None:
    """Wilson 1927 for 10 of 10: n / (n + 1.96^2). Garwood 1936: 0 events, up to 3.69."""
    assert wilson(10, 10)[0] == pytest.approx(10 / (10 + 1.959964**2), abs=1e-4)
    assert poisson(0, 1.0) == pytest.approx((0.0, 3.6889), abs=1e-3)


def test_a_full_run_holds_every_kind_often_and_repeats() -> None:
    plans = draw_plans(414, "reporting", 1)
    assert plans == draw_plans(414, "reporting", 1)
    assert sum(plan.duration_s for plan in plans) > 300 * 60
    assert sum(not plan.kinds for plan in plans) >= 60
