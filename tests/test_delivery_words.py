"""The words beside a check: which of gain, distance and asking again would help."""

import pytest
from delivery_facts import FILM, PODCAST, a_leak, a_line, a_mic, a_problem, check_of, facts

from dualmic.delivery import judge_take
from dualmic.delivery_words import in_words
from dualmic.record import Crosstalk


def words(check_id, mic="subject", spec=PODCAST, **changes) -> str:
    return in_words(check_of(judge_take(spec, facts(**changes)), check_id, mic))


def test_a_spoiled_answer_is_asked_again_only_if_they_are_willing():
    said = words("clipping", flat_ms_by_turn={2: 50.0})
    assert "No gain mends" in said
    assert "if it is safe and they are willing" in said


def test_a_spoiled_question_is_not_asked_of_anybody():
    said = words("clipping", "interviewer", flat_ms_by_turn={1: 50.0})
    assert "recorded again at any time" in said
    assert "willing" not in said


def test_a_spoiled_answer_with_a_copy_is_not_asked_again():
    said = words("dropout", dropout_ms_by_turn={2: 50.0}, at_risk=[a_line(2, "dropout", True)])
    assert "use the other copy" in said
    assert "ask" not in said


@pytest.mark.parametrize(
    ("to_noise_db", "distance"),
    # Half the distance raises a voice by 6 dB: 12 dB short of 18 wants a quarter, 6 a half.
    [(17.0, "five sixths"), (12.0, "half"), (6.0, "a quarter"), (1.0, "a fifth or less")],
)
def test_too_much_background_wants_another_distance(to_noise_db, distance):
    mics = {"interviewer": a_mic(), "subject": a_mic(to_noise_db=to_noise_db)}
    said = words("speech_to_noise", mics=mics)
    assert f"to {distance} of its distance" in said
    assert "Gain alone does not help" in said


def test_a_quiet_recording_wants_gain_and_nothing_else():
    mics = {"interviewer": a_mic(), "subject": a_mic(-57.0)}
    assert "Gain alone mends this: turn that input up by 8 dB" in words("gain", mics=mics)


def test_crosstalk_names_whose_microphone_to_move():
    crosstalk = Crosstalk(a_leak(-3.0), a_leak(-3.0), 0.0)
    assert "the subject's microphone" in words("crosstalk", crosstalk=crosstalk)
    assert "the interviewer's microphone" in words("crosstalk", "interviewer", crosstalk=crosstalk)


def test_a_dead_microphone_names_the_links_of_the_chain_in_order():
    said = words("mic_dead", problems=[a_problem("mic_dead", "subject")])
    assert said.index("the pack") < said.index("receiver's output") < said.index("camera's input")


@pytest.mark.parametrize(
    ("leak_db", "say"), [(-6.0, "open only the one"), (-20.0, "may stay open")]
)
def test_the_mono_sum_says_when_to_open_one_microphone_at_a_time(leak_db, say):
    crosstalk = Crosstalk(a_leak(leak_db), a_leak(), 0.0)
    assert say in words("mono_ripple", crosstalk=crosstalk)


def test_nothing_is_said_of_what_passes():
    delivery = judge_take(FILM, facts())
    silent = [c for c in delivery.checks if c.margin is not None]
    assert silent
    assert all(in_words(check) == "" for check in silent)


def test_every_check_that_can_go_wrong_has_words_of_its_own():
    bad_mic = a_mic(-62.0, -50.0, 3.0)
    delivery = judge_take(
        FILM,
        facts(
            mics={"interviewer": bad_mic, "subject": bad_mic},
            crosstalk=Crosstalk(a_leak(0.0), a_leak(0.0), 0.0),
            speech_peak_dbfs={"interviewer": 0.0, "subject": 0.0},
            flat_ms_by_turn={2: 50.0},
            dropout_ms_by_turn={2: 50.0},
            problems=[a_problem("mic_dead", "subject"), a_problem("dual_mono", None)],
            sample_rate_hz=32000,
            bit_depth=8,
        ),
    )
    said = [in_words(check) for check in delivery.checks if check.result in ("warn", "fail")]
    assert len(said) > 10
    assert not any("Ask whoever takes" in text for text in said)
