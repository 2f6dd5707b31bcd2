"""Times, limits and verdicts in words."""

import doctest

import msgspec
import pytest
import sample_records

from dualmic.record import Check, Copy, Delivery, LineAtRisk, TakeRecord, Turn
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


def silent(record: TakeRecord) -> TakeRecord:
    mics = {
        role: msgspec.structs.replace(mic, sample_peak_dbfs=None)
        for role, mic in record.mics.items()
    }
    return msgspec.structs.replace(record, mics=mics)


def test_a_recording_without_any_sound_is_not_called_fine() -> None:
    record = msgspec.structs.replace(
        silent(sample_records.build(problems=0)), kind_of_take="nobody speaks", verdict=None
    )
    said = verdict.verdict_words(record)
    assert said.headline == "Nothing was recorded"
    assert "plugs" in said.detail
    broken = msgspec.structs.replace(
        record.problems[0] if record.problems else sample_records.build().problems[0],
        kind="bad_samples",
        severity="fail",
    )
    said = verdict.verdict_words(msgspec.structs.replace(record, problems=[broken]))
    assert (said.headline, said.tone) == ("Nobody can be heard", "bad")


@pytest.mark.parametrize("answers", [2, 3])
def test_where_every_answer_is_damaged_there_is_no_rest(answers: int) -> None:
    turns = [Turn(k, "subject", 10.0 * k, 10.0 * k + 5) for k in range(1, answers + 1)]
    record = msgspec.structs.replace(
        sample_records.build(),
        turns=turns,
        at_risk=[LineAtRisk(k, "subject", 10.0 * k, 10.0 * k + 5, ["wind"], None) for k in (1, 2)],
        verdict="usable but for these answers",
    )
    said = verdict.verdict_words(record)
    assert ("rest" in said.detail) == (answers > 2)
    assert (said.headline == "Usable only in parts") == (answers == 2)


def test_a_usable_take_that_fails_says_what_for() -> None:
    bad = Delivery("fail", {}, [check(9.0, 22.0, 12.0, "fail", "speech_to_noise")])
    deliveries = {"podcast": Delivery("warn", {}, []), "film": bad}
    record = msgspec.structs.replace(
        sample_records.build(problems=0), verdict="usable", deliveries=deliveries
    )
    said = verdict.verdict_words(record)
    assert (said.headline, said.tone) == ("Usable, but not as it is for film", "mixed")
    noise = msgspec.structs.replace(
        sample_records.build().problems[0], kind="noise", severity="fail", mic="subject"
    )
    record = msgspec.structs.replace(record, deliveries={}, problems=[noise])
    assert verdict.verdict_words(record).headline == "Usable, but too much background"
    assert verdict.verdict_words(msgspec.structs.replace(record, problems=[])).headline == "Usable"


@pytest.mark.parametrize("value", [-7.852, -7.848, -0.05, 12.345, 99.999, 0.004])
def test_a_number_reads_the_same_after_it_was_rounded_to_hundredths(value: float) -> None:
    assert words.number(value) == words.number(round(value, 2))
