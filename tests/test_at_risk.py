"""What of the small damage spoils an answer, and what may stay."""

from dataclasses import replace

import pytest
import speech_scene as scene

from dualmic.at_risk import lines_at_risk, turns_of, verdict
from dualmic.findings import Finding
from dualmic.hearing import Hearing, hear
from dualmic.measure import measure
from dualmic.record import Channel, LineAtRisk


@pytest.fixture(scope="module")
def heard() -> Hearing:
    """A good take of four questions and answers."""
    samples = scene.make(4).samples.astype("float32")
    return hear(measure([samples], scene.RATE_HZ, 2, bit_depth=24))


CHANNELS = [Channel(1, 0, 1, None, "interviewer"), Channel(2, 0, 2, None, "subject")]


def at_risk(heard: Hearing, *found: Finding) -> list[LineAtRisk]:
    return lines_at_risk(heard, found, turns_of(heard), CHANNELS, "take")


def answer_s(heard: Hearing) -> float:
    """Return when the first answer has gone on for a second."""
    return next(start_s for mic, start_s, _ in heard.turns if mic == scene.SUBJECT) + 1.0


@pytest.mark.parametrize("kind", ["wind", "rustle"])
def test_half_a_second_of_a_sound_that_does_not_belong_spoils_an_answer(heard, kind) -> None:
    at = answer_s(heard)
    (line,) = at_risk(heard, Finding(kind, scene.SUBJECT, at, at + 0.6, "warn"))
    assert (line.speaker, line.because) == ("subject", [kind])
    assert at_risk(heard, Finding(kind, scene.SUBJECT, at, at + 0.3, "warn")) == []
    assert at_risk(heard, Finding(kind, scene.SUBJECT, at, at + 0.6, "note")) == []
    # On the interviewer's microphone, which is closed while the subject answers, it harms nothing.
    assert at_risk(heard, Finding(kind, scene.INTERVIEWER, at, at + 0.6, "warn")) == []


@pytest.mark.parametrize(
    ("missing_db", "length_s", "lost"), [(20, 0.26, 1), (10, 0.26, 0), (20, 0.15, 0)]
)
def test_a_burst_that_buries_a_word_spoils_the_answer(
    heard: Hearing, missing_db: float, length_s: float, lost: int
) -> None:
    """Cloth that leaves the word to be heard may be as short as that."""
    at = answer_s(heard)
    burst = Finding("rustle", scene.SUBJECT, at, at + length_s, "warn", missing_db, 4.5, "dB")
    assert [line.because for line in at_risk(heard, burst)] == lost * [["rustle"]]


def test_one_crack_can_be_mended_and_crackling_spoils_an_answer(heard) -> None:
    at = answer_s(heard)
    once, thrice = (Finding("click", scene.SUBJECT, at, at + 0.5, "warn", count=n) for n in (1, 3))
    assert at_risk(heard, once) == []
    assert [line.because for line in at_risk(heard, thrice)] == [["click"]]


def test_an_answer_talked_over_has_no_copy_on_any_microphone(heard) -> None:
    at = answer_s(heard)
    lines = at_risk(heard, Finding("both_talking", None, at, at + 1.5, "warn"))
    assert [(line.speaker, line.because) for line in lines] == [("subject", ["both_talking"])]
    assert lines[0].covered_by is None


def judged(heard: Hearing, *found: Finding) -> str:
    """Return the verdict on a take with these findings."""
    return verdict(heard, found, at_risk(heard, *found), turns_of(heard), 10.0)


def test_a_gap_of_a_moment_costs_a_sentence_and_not_the_take(heard) -> None:
    """One gap in each answer of some seconds; then so many that no sentence is left."""
    spans = [(a, b) for mic, a, b in heard.turns if mic == scene.SUBJECT]

    def gaps(every_s: float) -> list[Finding]:
        at = [a + k * every_s for a, b in spans for k in range(int((b - a) / every_s) + 1)]
        return [Finding("dropout", scene.SUBJECT, s, s + 0.01, "fail", spoils=True) for s in at]

    assert judged(heard, *gaps(20.0)) == "usable but for these answers"
    assert judged(heard, *gaps(3.0)) == "not usable"


@pytest.mark.parametrize(("severity", "told"), [("fail", "not usable"), ("note", "usable")])
def test_a_background_that_comes_and_goes_does_not_bury_every_answer(heard, severity, told) -> None:
    """Steps in the pauses make the mean of them loud; the finding says that it is not there all
    the time."""
    buried = replace(heard, speech_to_noise_db=[30.0, 6.0])
    length_s = heard.measured.duration_s
    found = [Finding("noise", scene.SUBJECT, 0.0, length_s, severity, 6.0, 10.0, "dB")]
    assert verdict(buried, found, [], turns_of(heard), 10.0) == told


def test_what_goes_by_under_an_answer_is_on_every_microphone(heard) -> None:
    at = answer_s(heard)
    (line,) = at_risk(heard, Finding("noise", scene.SUBJECT, at, at + 5, "warn", spoils=True))
    assert (line.speaker, line.because, line.covered_by) == ("subject", ["noise"], None)


def test_small_damage_alone_never_makes_a_take_unusable(heard) -> None:
    spans = [(a, b) for mic, a, b in heard.turns if mic == scene.SUBJECT]
    windy = [Finding("wind", scene.SUBJECT, a, b, "warn") for a, b in spans]
    gone = [Finding("dropout", scene.SUBJECT, a, b, "fail", spoils=True) for a, b in spans]
    lost = [x for x in at_risk(heard, *windy) if not (x.covered_by and x.covered_by.usable)]
    assert len(lost) == len(spans)
    assert judged(heard, *windy) == "usable but for these answers"
    assert judged(heard, *gone) == "not usable"
