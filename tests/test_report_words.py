"""Times, limits and verdicts in words."""

import doctest

import msgspec
import pytest
import sample_records

from dualmic.record import Check, Copy, LineAtRisk
from dualmic.report import report_set, tables, verdict, words


@pytest.mark.parametrize("module", [words, tables, report_set])
def test_examples_in_the_documentation_are_true(module) -> None:
    result = doctest.testmod(module)
    assert result.attempted and not result.failed


def check(value, warn, fail, result, check_id="gain", unit="dB") -> Check:
    return Check(check_id, "", None, value, warn, fail, None, unit, result, "")


@pytest.mark.parametrize(
    ("one", "spoken", "short"),
    [
        (check(5.0, 10.0, None, "pass"), "up to 10.0\u00a0dB", "max 10"),
        (check(12.0, 10.0, None, "warn"), "up to 10.0\u00a0dB", "max 10"),
        (
            check(20.0, 18.0, 10.0, "pass", "speech_to_noise"),
            "at least 18.0\u00a0dB, fails at 10.0\u00a0dB",
            "min 18, 10",
        ),
        (check(-17.5, -17.0, None, "fail", "loudness"), "at least −17.0\u00a0dB", "min −17"),
        (
            check(None, 18.0, None, "not measured", "speech_to_noise"),
            "at least 18.0\u00a0dB",
            "min 18",
        ),
        (check(-70.0, None, None, "pass"), "no limit", "no limit"),
    ],
)
def test_a_limit_says_which_way_it_holds(one: Check, spoken: str, short: str) -> None:
    assert words.limit(one) == spoken
    assert words.short_limit(one) == short


def test_a_damaged_answer_with_a_copy_is_not_asked_for_again() -> None:
    record = msgspec.structs.replace(
        sample_records.build(),
        at_risk=[
            LineAtRisk(2, "subject", 10.0, 20.0, ["clipping"], Copy("B", 1, 20.0, -30.0, True)),
            LineAtRisk(4, "subject", 30.0, 40.0, ["click"], Copy("B", 1, 3.0, -50.0, False)),
            LineAtRisk(6, "subject", 50.0, 60.0, ["dropout"], None),
            LineAtRisk(7, "interviewer", 70.0, 71.0, ["wind"], None),
        ],
        verdict="usable but for these answers",
    )
    asked = verdict.ask_again(record)
    assert [ask.line.turn for ask in asked if not ask.covered] == [4, 6]
    assert [ask.line.turn for ask in asked if ask.covered] == [2]
    assert [ask.line.turn for ask in verdict.questions_at_risk(record)] == [7]
    said = verdict.verdict_words(record)
    assert said.headline == "Usable, but for 2 answers"
    assert "1 damaged answer can be taken from a copy" in said.detail


def test_a_take_in_which_nobody_speaks_is_no_failure() -> None:
    record = msgspec.structs.replace(
        sample_records.build(problems=0), kind_of_take="nobody speaks", verdict=None
    )
    said = verdict.verdict_words(record)
    assert said.tone == "none"
    assert said.headline == "Nobody speaks in this recording"


def test_a_mix_is_judged_by_its_deliveries() -> None:
    said = verdict.verdict_words(sample_records.build(problems=0, mode="mix"))
    assert said.headline == "The mix does not meet film"
    assert said.tone == "bad"
