"""Judging a take after gain: worked examples by hand, and what counts as whose damage."""

import math

import msgspec
import pytest
from delivery_facts import FILM, PODCAST, a_leak, a_line, a_mic, a_problem, check_of, facts

from dualmic.checks import judged, overall, power_sum_db, ripple_db
from dualmic.delivery import judge_take, take_gains_db
from dualmic.record import Crosstalk, Hum, Turn
from dualmic.spec import LimitDb


def test_a_good_interview_passes_both_deliveries():
    for spec in (PODCAST, FILM):
        delivery = judge_take(spec, facts())
        assert delivery.result == "pass", [c for c in delivery.checks if c.result != "pass"]


# ---- gain ----


@pytest.mark.parametrize(
    ("spec", "speech_lufs", "gain_db"),
    [
        # By hand: a centred voice plays from both channels and reads 10 log10(2) = 3.01 LU more
        # than its own file (ITU-R BS.1770-5, annex 1: channel powers add with weight 1.0).
        (PODCAST, -36.0, 16.99),  # -16 - 3.01 + 36
        (PODCAST, -12.0, -7.01),  # -16 - 3.01 + 12: too hot, to be turned down
        (FILM, -36.0, 5.99),  # -27 - 3.01 + 36
        (FILM, -30.01, 0.0),
    ],
)
def test_the_gain_brings_a_voice_from_both_channels_to_the_target(spec, speech_lufs, gain_db):
    gains = take_gains_db(spec, {"subject": a_mic(speech_lufs)})
    assert gains["subject"] == pytest.approx(gain_db, abs=0.005)


def test_each_microphone_gets_its_own_gain_and_an_unmeasured_one_none():
    mics = {"interviewer": a_mic(None), "subject": a_mic(-25.0)}
    delivery = judge_take(PODCAST, facts(mics=mics))
    assert delivery.gain_db == {"interviewer": None, "subject": pytest.approx(5.99)}


@pytest.mark.parametrize(
    ("changes", "result", "limit_db"),
    [
        # Speech at -52 LUFS needs 32.99 dB; the limits are common practice.
        ({"bit_depth": 24}, "warn", 30.0),
        ({"bit_depth": 32, "is_float": True}, "warn", 30.0),
        ({"bit_depth": 16}, "warn", 24.0),
        ({"bit_depth": None, "is_lossy": True}, "warn", 24.0),
        # What a decoder hands out as 32-bit float is no finer than what went into the encoder.
        ({"bit_depth": 32, "is_float": True, "is_lossy": True}, "warn", 24.0),
        ({"bit_depth": None, "is_float": True}, "warn", 30.0),
    ],
)
def test_coarse_recordings_bear_less_gain(changes, result, limit_db):
    mics = {"interviewer": a_mic(), "subject": a_mic(-52.0)}
    check = check_of(judge_take(PODCAST, facts(mics=mics, **changes)), "gain", "subject")
    assert (check.result, check.warn_limit) == (result, limit_db)
    assert check.value == pytest.approx(32.99)
    assert check.margin == pytest.approx(limit_db - 32.99)


def test_16_bit_speech_that_needs_40_db_fails_and_24_bit_speech_only_warns():
    mics = {"interviewer": a_mic(), "subject": a_mic(-59.0)}  # 59 - 19.01 = 39.99 dB
    for bits, result in ((16, "fail"), (24, "warn")):
        check = check_of(judge_take(PODCAST, facts(mics=mics, bit_depth=bits)), "gain", "subject")
        assert check.result == result


# ---- levels after gain ----


def test_loud_moments_are_counted_from_the_peak_limit_after_gain():
    # By hand: gain 36 - 19.01 = 16.99 dB lifts peaks at -6 dBFS to +10.99, 11.99 over -1 dBTP.
    mics = {"interviewer": a_mic(), "subject": a_mic(-36.0)}
    peaks = {"interviewer": -15.0, "subject": -6.0}
    check = check_of(
        judge_take(PODCAST, facts(mics=mics, speech_peak_dbfs=peaks)), "loud_moments", "subject"
    )
    assert check.value == pytest.approx(11.99)
    assert (check.result, check.margin) == ("warn", pytest.approx(-1.99))


def test_hum_is_judged_as_loud_as_it_becomes():
    # By hand: gain 16.99 dB lifts a hum at -70 dBFS to -53.01 dBFS; speech then reads -19.01, so
    # the limit of 40 dB under it lies at -59.01.
    hum = Hum(50.0, -70.0, [])
    mics = {"interviewer": a_mic(), "subject": a_mic(-36.0, hum=hum)}
    check = check_of(judge_take(PODCAST, facts(mics=mics)), "hum_after_gain", "subject")
    assert check.value == pytest.approx(-53.01)
    assert check.warn_limit == pytest.approx(-59.01)
    assert (check.result, check.margin) == ("warn", pytest.approx(-6.0))


@pytest.mark.parametrize(("noise_floor_dbfs", "result"), [(-70.0, "pass"), (None, "not measured")])
def test_no_hum_is_good_news_only_where_there_were_pauses_to_look_in(noise_floor_dbfs, result):
    mic = msgspec.structs.replace(a_mic(), noise_floor_dbfs=noise_floor_dbfs)
    delivery = judge_take(PODCAST, facts(mics={"interviewer": a_mic(), "subject": mic}))
    assert check_of(delivery, "hum_after_gain", "subject").result == result


def test_background_is_stated_as_loud_as_it_becomes():
    mics = {"interviewer": a_mic(), "subject": a_mic(-36.0, noise_dba=-70.0)}
    check = check_of(judge_take(PODCAST, facts(mics=mics)), "noise_after_gain", "subject")
    assert check.value == pytest.approx(-53.01)


@pytest.mark.parametrize(
    ("spec", "db", "result", "margin"),
    [
        (PODCAST, 18.0, "pass", 0.0),
        (PODCAST, 17.9, "warn", -0.1),
        (PODCAST, 9.9, "fail", -0.1),
        (FILM, 25.0, "pass", 3.0),
        (FILM, 21.0, "warn", -1.0),
        (FILM, 11.0, "fail", -1.0),
    ],
)
def test_speech_over_background(spec, db, result, margin):
    mics = {"interviewer": a_mic(), "subject": a_mic(to_noise_db=db)}
    delivery = judge_take(spec, facts(mics=mics))
    check = check_of(delivery, "speech_to_noise", "subject")
    assert (check.result, check.margin) == (result, pytest.approx(margin))
    assert delivery.result == result


# ---- two microphones ----


def test_crosstalk_is_judged_once_both_microphones_are_levelled():
    # By hand: gains 20.99 (interviewer at -40) and 10.99 dB (subject at -30). The interviewer's
    # voice at -4 dB in the subject's microphone: -4 + 10.99 - 20.99 = -14; the subject's at -20 in
    # the interviewer's: -20 + 20.99 - 10.99 = -10.
    mics = {"interviewer": a_mic(-40.0), "subject": a_mic(-30.0)}
    crosstalk = Crosstalk(a_leak(-4.0), a_leak(-20.0), 0.0)
    delivery = judge_take(PODCAST, facts(mics=mics, crosstalk=crosstalk))
    assert check_of(delivery, "crosstalk", "subject").value == pytest.approx(-14.0)
    assert check_of(delivery, "crosstalk", "interviewer").value == pytest.approx(-10.0)
    assert check_of(delivery, "crosstalk", "subject").margin == pytest.approx(8.0)


def test_film_asks_for_less_crosstalk_than_a_podcast():
    crosstalk = Crosstalk(a_leak(-7.0), a_leak(-20.0), 0.0)
    assert judge_take(PODCAST, facts(crosstalk=crosstalk)).result == "pass"
    assert judge_take(FILM, facts(crosstalk=crosstalk)).result == "warn"


@pytest.mark.parametrize(("bound_db", "result"), [(-12.0, "pass"), (-3.0, "not measured")])
def test_an_upper_bound_can_pass_but_never_warn(bound_db, result):
    crosstalk = Crosstalk(a_leak(bound_db, bound=True), a_leak(), 0.0)
    check = check_of(judge_take(PODCAST, facts(crosstalk=crosstalk)), "crosstalk", "subject")
    assert check.result == result


@pytest.mark.parametrize("leak_db", [-3.0, -6.0, -9.54, -12.0, -20.0, -40.0])
def test_ripple_is_what_a_comb_filter_does(leak_db):
    # The comb filter itself: 1 + a z^-N, its gain read off a dense frequency grid.
    a = 10 ** (leak_db / 20)
    gain = [
        abs(1 + a * complex(math.cos(w), math.sin(w)))
        for w in (k * math.pi / 500 for k in range(501))
    ]
    assert ripple_db(leak_db) == pytest.approx(20 * math.log10(max(gain) / min(gain)), abs=1e-6)


def test_an_equal_copy_cancels_completely_and_a_louder_one_ripples_like_a_softer_one():
    assert ripple_db(0.0) == 60.0
    assert ripple_db(6.0) == ripple_db(-6.0)


@pytest.mark.parametrize(("polarity", "dip_hz"), [("same", 125), ("opposite", 250)])
def test_the_mono_sum_states_its_ripple_and_its_first_dip(polarity, dip_hz):
    # By hand: a = 0.5 gives 20 log10(1.5 / 0.5) = 9.54 dB. Copies 4 ms apart first cancel at half
    # a period, 125 Hz; with one of them upside down at a whole one, 250 Hz.
    crosstalk = Crosstalk(a_leak(-6.0206, polarity=polarity), a_leak(), 0.0)
    check = check_of(judge_take(PODCAST, facts(crosstalk=crosstalk)), "mono_ripple", "subject")
    assert check.value == pytest.approx(9.54)
    assert f"first dip at {dip_hz} Hz" in check.title
    assert (check.result, check.warn_limit, check.margin) == ("pass", None, None)


def test_without_a_polarity_no_dip_is_stated():
    crosstalk = Crosstalk(a_leak(-6.0206, polarity=None), a_leak(), 0.0)
    check = check_of(judge_take(PODCAST, facts(crosstalk=crosstalk)), "mono_ripple", "subject")
    assert "dip" not in check.title


def test_the_noise_of_two_open_microphones_adds():
    # Two unrelated noises of one level: 10 log10(2) = 3.01 dB more. One 10 dB under the other:
    # 10 log10(1.1) = 0.41 dB.
    assert power_sum_db(-60.0, -60.0) == pytest.approx(-56.99, abs=0.005)
    check = check_of(judge_take(PODCAST, facts()), "open_mics_noise")
    assert check.value == pytest.approx(3.01)
    mics = {"interviewer": a_mic(noise_dba=-85.0), "subject": a_mic(noise_dba=-75.0)}
    assert check_of(judge_take(PODCAST, facts(mics=mics)), "open_mics_noise").value == 0.41


def test_one_microphone_for_two_people_has_no_crosstalk_and_no_twin():
    delivery = judge_take(
        PODCAST,
        facts(one_mic=True, crosstalk=None, problems=[a_problem("dual_mono", None)]),
    )
    assert delivery.result == "pass"
    assert not {"crosstalk", "dual_mono", "mic_dead", "mono_ripple"} & {
        c.id for c in delivery.checks
    }


def test_one_microphone_on_both_channels_warns_and_explains_the_missing_crosstalk():
    delivery = judge_take(FILM, facts(crosstalk=None, problems=[a_problem("dual_mono", None)]))
    assert check_of(delivery, "dual_mono").value == 10.0
    assert delivery.result == "warn"


# ---- damage, answer by answer ----


@pytest.mark.parametrize(
    ("flat_ms", "result"),
    [(0.0, "pass"), (0.9, "pass"), (5.0, "warn"), (10.0, "warn"), (11.0, "fail")],
)
def test_clipping_is_added_up_within_one_answer(flat_ms, result):
    delivery = judge_take(PODCAST, facts(flat_ms_by_turn={4: flat_ms}))
    assert check_of(delivery, "clipping", "subject").result == result
    assert delivery.result == result


def test_a_little_clipping_in_many_answers_is_not_added_up():
    turns = [Turn(n, "subject", 10.0 * n, 10.0 * n + 9.0) for n in range(1, 41)]
    delivery = judge_take(PODCAST, facts(turns=turns, flat_ms_by_turn={t.id: 0.9 for t in turns}))
    assert check_of(delivery, "clipping", "subject").result == "pass"


def test_the_worst_answer_is_named():
    check = check_of(
        judge_take(PODCAST, facts(flat_ms_by_turn={2: 12.0, 4: 30.0})), "clipping", "subject"
    )
    assert check.value == 30.0
    assert "turn 4" in check.title


@pytest.mark.parametrize("by_turn", ["flat_ms_by_turn", "dropout_ms_by_turn"])
def test_a_damaged_question_warns_and_a_damaged_answer_fails(by_turn):
    assert judge_take(PODCAST, facts(**{by_turn: {1: 500.0}})).result == "warn"
    assert judge_take(PODCAST, facts(**{by_turn: {2: 500.0}})).result == "fail"


@pytest.mark.parametrize(("usable", "result"), [(True, "warn"), (False, "fail")])
def test_a_damaged_answer_with_a_good_copy_elsewhere_warns(usable, result):
    damage = {"dropout_ms_by_turn": {2: 500.0}, "at_risk": [a_line(2, "dropout", usable)]}
    assert judge_take(PODCAST, facts(**damage)).result == result


def test_an_answer_without_a_copy_outweighs_a_worse_one_that_has_one():
    delivery = judge_take(
        PODCAST,
        facts(flat_ms_by_turn={2: 500.0, 4: 20.0}, at_risk=[a_line(2, "clipping", True)]),
    )
    check = check_of(delivery, "clipping", "subject")
    assert (check.result, check.value) == ("fail", 20.0)


def test_nothing_on_the_interviewers_microphone_fails_a_delivery():
    hum = Hum(50.0, -30.0, [])
    mics = {"interviewer": a_mic(-70.0, -50.0, 0.5, hum), "subject": a_mic()}
    delivery = judge_take(
        FILM,
        facts(
            mics=mics,
            bit_depth=16,
            flat_ms_by_turn={1: 900.0, 3: 900.0},
            dropout_ms_by_turn={1: 900.0},
            speech_peak_dbfs={"interviewer": 0.0, "subject": -15.0},
            problems=[a_problem("mic_dead", "interviewer")],
        ),
    )
    assert delivery.result == "warn"
    assert all(c.fail_limit is None for c in delivery.checks if c.mic == "interviewer")


def test_a_dead_microphone_of_the_subject_fails_and_of_the_interviewer_warns():
    silent = a_mic(None, None, None)
    for role, result in (("subject", "fail"), ("interviewer", "warn")):
        mics = {"interviewer": a_mic(), "subject": a_mic(), role: silent}
        delivery = judge_take(
            PODCAST, facts(mics=mics, crosstalk=None, problems=[a_problem("mic_dead", role)])
        )
        assert check_of(delivery, "mic_dead", role).value == 10.0
        assert delivery.result == result


def test_a_dead_microphone_whose_answers_all_have_a_good_copy_warns():
    delivery = judge_take(
        PODCAST,
        facts(problems=[a_problem("mic_dead", "subject")], at_risk=[a_line(2, "mic_dead", True)]),
    )
    assert delivery.result == "warn"


# ---- what was not measured ----


def test_a_check_that_could_not_be_made_makes_the_delivery_incomplete():
    mics = {"interviewer": a_mic(), "subject": a_mic(to_noise_db=None)}
    delivery = judge_take(PODCAST, facts(mics=mics))
    assert check_of(delivery, "speech_to_noise", "subject").result == "not measured"
    assert delivery.result == "incomplete"


def test_a_failure_outweighs_a_gap():
    mics = {"interviewer": a_mic(), "subject": a_mic(to_noise_db=None)}
    assert judge_take(PODCAST, facts(mics=mics, flat_ms_by_turn={2: 99.0})).result == "fail"


def test_missing_crosstalk_in_an_interview_is_a_gap():
    assert judge_take(PODCAST, facts(crosstalk=None)).result == "incomplete"


def test_one_person_alone_is_judged_on_their_own_microphone():
    mics = {"interviewer": a_mic(None, -70.0, None), "subject": a_mic()}
    turns = [Turn(1, "subject", 0.0, 60.0)]
    delivery = judge_take(
        PODCAST, facts(kind_of_take="one person", mics=mics, crosstalk=None, turns=turns)
    )
    assert delivery.result == "pass"
    assert {check.mic for check in delivery.checks} == {"subject", None}


def test_a_take_without_speech_has_nothing_to_judge():
    delivery = judge_take(PODCAST, facts(kind_of_take="nobody speaks", turns=[]))
    assert delivery.checks == []


def test_a_value_that_is_no_number_counts_as_not_measured():
    check = judged("gain", "Gain", math.nan, LimitDb(source="common practice", warn=1.0))
    assert (check.value, check.result) == (None, "not measured")


def test_the_worst_check_decides():
    limit = LimitDb(source="common practice", warn=1.0, fail=2.0)
    passed, warned, failed, gap = (judged("gain", "", v, limit) for v in (0.0, 1.5, 3.0, None))
    assert overall([passed]) == "pass"
    assert overall([passed, warned]) == "warn"
    assert overall([warned, gap]) == "incomplete"
    assert overall([gap, failed]) == "fail"
    assert overall([]) == "incomplete"


# ---- the file ----


@pytest.mark.parametrize(
    ("changes", "check_id", "result"),
    [
        ({"sample_rate_hz": 44100}, "sample_rate", "warn"),
        ({"sample_rate_hz": 96000}, "sample_rate", "pass"),
        ({"bit_depth": 12}, "bit_depth", "warn"),
        ({"bit_depth": 16}, "bit_depth", "pass"),
        ({"bit_depth": None, "is_lossy": True}, "bit_depth", "warn"),
    ],
)
def test_film_asks_for_48_khz_and_16_bit(changes, check_id, result):
    assert check_of(judge_take(FILM, facts(**changes)), check_id).result == result


def test_every_check_names_its_source():
    assert all(check.source for check in judge_take(FILM, facts()).checks)


@pytest.mark.parametrize("floor", [True, False])
def test_a_value_at_its_limit_has_a_margin_of_plain_zero(floor: bool) -> None:
    check = judged("x", "X", 10.0, LimitDb(warn=10.0, source="here"), floor=floor)
    assert (check.result, str(check.margin)) == ("pass", "0.0")
