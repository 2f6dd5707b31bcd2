"""A finished mix judged as it is: the published targets, both sides of them, and the rest."""

import msgspec
import numpy as np
import pytest

from dualmic.delivery_words import in_words
from dualmic.errors import UsageError
from dualmic.meters.width import Width, WidthMeter
from dualmic.mix import MixFacts, judge_mix, layout_of, looks_like_a_mix
from dualmic.record import Check, Programme
from dualmic.specs_file import load_spec
from dualmic.tiles import spans

RATE_HZ = 48000


def facts(integrated=-16.0, speech=-16.5, peak=-1.5, **changes) -> MixFacts:
    """Facts of a stereo programme of an hour, but for what the test changes."""
    good = {
        "layout": "stereo",
        "duration_s": 3600.0,
        "sample_rate_hz": 48000,
        "bit_depth": 24,
        "is_lossy": False,
        "programme": Programme(integrated, -10.0, -12.0, 6.0, peak),
        "speech_lufs": speech,
        "speech_s": 3000.0,
        "head_silence_s": 0.5,
        "tail_silence_s": 1.0,
        "mono_sum_db": 2.5,
    }
    return MixFacts(**{**good, **changes})


def check_of(spec_name: str, check_id: str, mix: MixFacts) -> Check:
    delivery = judge_mix(load_spec(spec_name), mix)
    (found,) = [check for check in delivery.checks if check.id == check_id]
    return found


@pytest.mark.parametrize(
    ("spec", "lufs", "result", "margin"),
    [
        # EBU R 128: -23.0 LUFS; 0.5 LU (version 3.0, 2014) and 1 LU in production (4.0, 2020).
        ("broadcast-eu", -23.0, "pass", 0.5),
        ("broadcast-eu", -22.5, "pass", 0.0),
        ("broadcast-eu", -22.3, "warn", -0.2),
        ("broadcast-eu", -23.8, "warn", -0.3),
        ("broadcast-eu", -21.9, "fail", -0.1),
        ("broadcast-eu", -24.2, "fail", -0.2),
        # ATSC A/85:2013: -24 LKFS within 2 dB.
        ("broadcast-us", -22.0, "pass", 0.0),
        ("broadcast-us", -26.5, "fail", -0.5),
        # AES TD1008 (2021), section 4: speech at -18 LUFS (1 LU: from memory).
        ("online-speech", -18.9, "pass", 0.1),
        ("online-speech", -16.0, "fail", -1.0),
        # Common practice.
        ("podcast", -15.0, "pass", 0.0),
        ("podcast", -17.4, "fail", -0.4),
    ],
)
def test_a_programme_is_judged_on_both_sides_of_its_target(spec, lufs, result, margin):
    check = check_of(spec, "loudness", facts(integrated=lufs))
    assert (check.result, check.margin) == (result, pytest.approx(margin))


def test_a_film_is_judged_by_its_speech_whatever_its_music_does():
    mix = facts(integrated=-20.0, speech=-27.5)
    assert check_of("film", "loudness", mix).result == "pass"
    assert check_of("film", "programme_loudness", mix).value == -20.0
    assert check_of("film", "loudness", facts(integrated=-27.0, speech=-24.0)).result == "fail"


def test_a_film_in_which_nobody_speaks_is_not_passed_in_silence():
    delivery = judge_mix(load_spec("film"), facts(integrated=-27.0, speech=None, peak=-3.0))
    assert delivery.result == "incomplete"
    assert delivery.gain_db == {"programme": None}


def test_a_mono_file_has_a_target_of_its_own_only_where_the_spec_says_so():
    # ITU-R BS.1770-5, annex 1: one channel reads 3.01 LU less than two copies of it.
    mono = facts(integrated=-19.0, layout="mono", mono_sum_db=None)
    assert judge_mix(load_spec("podcast"), mono).result == "pass"
    # EBU R 128 measures whatever channels there are against one target.
    assert check_of("broadcast-eu", "loudness", mono).fail_limit == -22.0


def test_the_gain_named_brings_the_mix_onto_the_target():
    # By hand: -16 LUFS asked, -20.4 measured: 4.4 dB up.
    delivery = judge_mix(load_spec("podcast"), facts(integrated=-20.4))
    assert delivery.gain_db == {"programme": pytest.approx(4.4)}
    (check,) = [c for c in delivery.checks if c.id == "loudness"]
    assert "raise the whole mix by 3.4 dB" in in_words(check)


@pytest.mark.parametrize(
    ("spec", "peak_dbtp", "result"),
    [
        ("podcast", -1.0, "pass"),  # AES TD1004.1.15-10
        ("podcast", -0.9, "fail"),
        ("broadcast-eu", -1.0, "pass"),  # EBU R 128
        ("broadcast-us", -1.9, "fail"),  # ATSC A/85:2013
        ("film", -2.0, "pass"),  # common practice
        ("film", -1.5, "fail"),
    ],
)
def test_true_peak_has_a_ceiling(spec, peak_dbtp, result):
    assert check_of(spec, "true_peak", facts(peak=peak_dbtp)).result == result


@pytest.mark.parametrize(
    ("changes", "check_id", "result"),
    [
        ({"mono_sum_db": 3.01}, "mono_sum", "pass"),
        ({"mono_sum_db": -0.9}, "mono_sum", "pass"),
        ({"mono_sum_db": -1.5}, "mono_sum", "warn"),
        ({"mono_sum_db": -6.0}, "mono_sum", "fail"),
        ({"head_silence_s": 3.0}, "head_silence", "warn"),
        ({"tail_silence_s": 6.0}, "tail_silence", "warn"),
        ({"sample_rate_hz": 32000}, "sample_rate", "warn"),
    ],
)
def test_the_rest_of_a_podcast(changes, check_id, result):
    assert check_of("podcast", check_id, facts(**changes)).result == result


@pytest.mark.parametrize(
    ("changes", "result"),
    [
        ({"bit_depth": 24}, "pass"),
        ({"bit_depth": 16}, "warn"),
        ({"bit_depth": None, "is_lossy": True}, "warn"),
    ],
)
def test_a_film_wants_24_bits(changes, result):
    assert check_of("film", "bit_depth", facts(**changes)).result == result


def test_a_limit_of_ones_own_on_range_and_loudest_moments_is_judged(tmp_path):
    path = tmp_path / "strict.toml"
    path.write_text(
        'extends = "podcast"\n[mix.loudness_range]\nfail_lu = 5\nsource = "the client"\n'
        '[mix.short_term_max]\nwarn_lufs = -13\nsource = "the client"\n'
    )
    delivery = judge_mix(load_spec(path), facts())
    results = {check.id: (check.result, check.margin) for check in delivery.checks}
    assert results["loudness_range"] == ("fail", -1.0)
    assert results["short_term_max"] == ("warn", -1.0)


def test_every_check_of_a_mix_that_goes_wrong_has_words_of_its_own():
    bad = facts(
        integrated=-30.0,
        peak=0.5,
        mono_sum_db=-9.0,
        head_silence_s=9.0,
        tail_silence_s=9.0,
        sample_rate_hz=8000,
        bit_depth=8,
    )
    for name in ("podcast", "film"):
        for check in judge_mix(load_spec(name), bad).checks:
            if check.result in ("warn", "fail"):
                assert "Ask whoever takes" not in in_words(check)
                assert in_words(check)


def test_a_mix_has_one_two_five_or_six_channels():
    assert [layout_of(n)[0] for n in (1, 2, 5, 6)] == ["mono", "stereo", "5.0", "5.1"]
    with pytest.raises(UsageError, match="this one has 4"):
        layout_of(4)


# ---- two channels together ----


def width_of(left: np.ndarray, right: np.ndarray) -> Width:
    meter = WidthMeter(RATE_HZ)
    for span in spans([np.stack([left, right], axis=1).astype(np.float32)], RATE_HZ):
        meter.push(span)
    return meter.result()


def noise(seed: int, length_s: float = 4.0) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal(round(RATE_HZ * length_s)) * 0.1


@pytest.mark.parametrize(
    ("right", "db"),
    [
        # 10 log10(P(L+R) / (P(L) + P(R))): equal channels 10 log10(4/2), unrelated ones 0.
        (noise(1), 3.01),
        (noise(2), 0.0),
        (-noise(1), -120.0),
        # One at half the amplitude, upside down: 10 log10(0.25 / 1.25).
        (-0.5 * noise(1), -6.99),
    ],
)
def test_the_mono_sum_against_its_parts(right, db):
    assert width_of(noise(1), right).mono_sum_db() == pytest.approx(db, abs=0.05)


def test_a_tone_that_arrives_half_a_period_late_cancels_in_mono():
    # Comb filter: the first dip of a delay d lies at 1 / (2 d), for 4 ms at 125 Hz.
    at_s = np.arange(4 * RATE_HZ) / RATE_HZ
    tone = 0.1 * np.sin(2 * np.pi * 125 * at_s)
    late = 0.1 * np.sin(2 * np.pi * 125 * (at_s - 0.004))
    assert width_of(tone, late).mono_sum_db() < -60


def test_silence_has_no_mono_sum():
    assert width_of(np.zeros(RATE_HZ), np.zeros(RATE_HZ)).mono_sum_db() is None


# ---- recognising a mix ----

TARGETS = [-16.0, -18.0, -23.0, -24.0]


def test_a_limited_programme_with_its_voices_in_the_centre_is_recognised():
    said = looks_like_a_mix(width_of(noise(1), noise(1)), -16.2, -1.1, TARGETS)
    assert said is not None
    assert "--as mix" in said


def test_centred_voices_between_wide_music_at_a_delivery_level_are_recognised():
    left = np.concatenate([noise(1), noise(2)])
    right = np.concatenate([noise(1), noise(3)])
    assert looks_like_a_mix(width_of(left, right), -23.2, -4.0, TARGETS) is not None
    assert looks_like_a_mix(width_of(left, right), -33.0, -4.0, TARGETS) is None


def test_two_microphones_are_not_taken_for_a_mix_however_loud():
    assert looks_like_a_mix(width_of(noise(1), noise(2)), -16.0, -1.0, TARGETS) is None


def test_one_unmixed_microphone_on_both_channels_is_not_taken_for_a_mix():
    # Unlimited speech peaks 17 to 25 dB over its loudness (common practice).
    assert looks_like_a_mix(width_of(noise(1), noise(1)), -24.0, -4.0, TARGETS) is None


def test_silence_is_not_taken_for_a_mix():
    silence = np.zeros(RATE_HZ)
    assert looks_like_a_mix(width_of(silence, silence), None, None, TARGETS) is None


def test_a_delivery_of_a_mix_is_part_of_the_record():
    delivery = judge_mix(load_spec("film"), facts())
    again = msgspec.json.decode(msgspec.json.encode(delivery), type=type(delivery))
    assert again == delivery
