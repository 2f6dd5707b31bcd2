"""One take, end to end: what is wrong is found where it is, and nothing where nothing is."""

from pathlib import Path

import numpy as np
import pytest
import soundfile as sf
import speech_scene as scene
from speech_scene import INTERVIEWER, RATE_HZ, SUBJECT, make

from dualmic.record import TakeRecord, encode
from dualmic.report.verdict import verdict_words
from dualmic.take import CheckOptions, check_take


def check(built: scene.Scene, folder: Path, **options: object) -> TakeRecord:
    return check_take([built.write(folder / "take.wav")], CheckOptions(**options))


def kinds(record: TakeRecord) -> set[tuple[str, str | None]]:
    return {(p.kind, p.mic) for p in record.problems}


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> TakeRecord:
    return check(make(), tmp_path_factory.mktemp("good"))


def test_a_good_take_shows_nothing_and_passes_everywhere(good: TakeRecord) -> None:
    assert good.problems == []
    assert good.at_risk == []
    assert good.verdict == "usable"
    assert good.kind_of_take == "interview"
    assert {name: d.result for name, d in good.deliveries.items()} == {
        "podcast": "pass",
        "film": "pass",
    }


def test_turns_are_where_people_speak(good: TakeRecord) -> None:
    # Truth: where the clean utterances were placed; their own onsets are soft by up to 0.15 s.
    spoken = make().spoken
    assert [t.speaker for t in good.turns] == [
        ("interviewer", "subject")[who] for who, _, _ in spoken
    ]
    for turn, (_, start_s, end_s) in zip(good.turns, spoken, strict=True):
        assert abs(turn.start_s - start_s) < 0.25
        assert abs(turn.end_s - end_s) < 0.25


def test_a_leak_of_known_level_and_delay_is_read_as_such(good: TakeRecord) -> None:
    # Truth: the leak is the voice itself at -14 dB and 3 ms (a frequency-independent filter, so
    # its K-weighted level is -14 dB too).
    assert good.crosstalk is not None
    for leak in (good.crosstalk.interviewer_into_subject, good.crosstalk.subject_into_interviewer):
        assert leak.level_db == pytest.approx(-14.0, abs=0.3)
        assert leak.delay_ms == pytest.approx(3.0, abs=1000 / RATE_HZ)
        assert leak.polarity == "same"
        assert not leak.is_upper_bound
    assert good.crosstalk.latency_ms == pytest.approx(0.0, abs=0.02)


def test_the_noise_floor_is_the_noise_that_was_added(good: TakeRecord) -> None:
    # White noise of -70 dBFS RMS over 24 kHz holds 10 log10(19980 / 24000) of it in 20 Hz-20 kHz.
    for mic in good.mics.values():
        assert mic.noise_floor_dbfs == pytest.approx(-70.0 + 10 * np.log10(19980 / 24000), abs=0.3)


def test_a_leak_under_the_noise_is_an_upper_bound(tmp_path: Path) -> None:
    record = check(make(leak_db=-70.0), tmp_path)
    assert record.crosstalk is not None
    leak = record.crosstalk.interviewer_into_subject
    assert leak.is_upper_bound
    assert leak.level_db is not None and -70.0 < leak.level_db < -40.0


def test_unequal_gains_change_levels_and_not_who_speaks(tmp_path: Path) -> None:
    record = check(make(gains_db=(-3.0, -15.0)), tmp_path)
    spoken = make().spoken
    assert [t.speaker for t in record.turns] == [
        ("interviewer", "subject")[who] for who, _, _ in spoken
    ]
    assert record.crosstalk is not None
    assert record.crosstalk.interviewer_into_subject.level_db == pytest.approx(-26.0, abs=0.4)
    assert record.crosstalk.subject_into_interviewer.level_db == pytest.approx(-2.0, abs=0.4)


def test_speech_loudness_is_that_of_the_speech_alone(tmp_path: Path, good: TakeRecord) -> None:
    # libebur128 on the subject's clean utterances without the pauses between them.
    eb = pytest.importorskip("pyebur128", reason="no wheel of pyebur128 here")

    voice = make().voices[:, SUBJECT]
    said = np.concatenate(
        [voice[round(a * RATE_HZ) : round(b * RATE_HZ)] for a, b in make().answers()]
    )
    state = eb.R128State(1, RATE_HZ, eb.MeasurementMode.MODE_I)
    state.add_frames(said.astype(np.float32), len(said))
    expected = eb.get_loudness_global(state)
    assert good.mics["subject"].loudness.speech_lufs == pytest.approx(expected, abs=0.3)


def test_one_crackling_answer_spoils_that_answer_alone(tmp_path: Path) -> None:
    built = make()
    start_s, end_s = built.answers()[1]
    part = slice(round(start_s * RATE_HZ), round(end_s * RATE_HZ))
    built.samples[part, SUBJECT] = np.clip(built.samples[part, SUBJECT] * 30, -1, 1)
    record = check(built, tmp_path)
    found = [p for p in record.problems if p.kind == "clipping"]
    assert {p.mic for p in found} == {"subject"}
    assert min(p.start_s for p in found) == pytest.approx(start_s, abs=0.6)
    assert max(p.end_s for p in found) == pytest.approx(end_s, abs=0.6)
    assert [line.because for line in record.at_risk] == [["clipping"]]
    assert abs(record.at_risk[0].start_s - start_s) < 0.25
    assert record.deliveries["podcast"].result == "fail" or record.at_risk[0].covered_by.usable


def test_clipping_below_full_scale_is_found(tmp_path: Path) -> None:
    # A preamp clipped and the level was turned down 9 dB afterwards: the ceiling is at 0.3.
    built = make()
    start_s, end_s = built.answers()[0]
    part = slice(round(start_s * RATE_HZ), round(end_s * RATE_HZ))
    built.samples[part, SUBJECT] = np.clip(built.samples[part, SUBJECT] * 6, -0.3, 0.3)
    assert ("clipping", "subject") in kinds(check(built, tmp_path))


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24"])
def test_quiet_hum_with_flat_tops_is_not_clipping(tmp_path: Path, subtype: str) -> None:
    built = make(noise_dbfs=-110.0)
    time = np.arange(len(built.samples)) / RATE_HZ
    built.samples += 0.005 * np.sin(2 * np.pi * 50 * time)[:, None]
    path = built.write(tmp_path / "take.wav", subtype)
    record = check_take([path])
    assert not [p for p in record.problems if p.kind == "clipping"]
    assert {p.mic for p in record.problems if p.kind == "hum"} == {"interviewer", "subject"}
    assert record.mics["subject"].hum.frequency_hz == pytest.approx(50.0, abs=0.05)


def test_a_sine_that_touches_full_scale_is_not_clipped(tmp_path: Path) -> None:
    time = np.arange(20 * RATE_HZ) / RATE_HZ
    sine = np.sin(2 * np.pi * 1000 * time) * (1 - 2**-23)
    sf.write(tmp_path / "sine.wav", np.stack([sine, sine * 0.5], axis=1), RATE_HZ, "PCM_24")
    record = check_take([tmp_path / "sine.wav"])
    assert record.mics["interviewer"].clipped_samples == 0


@pytest.mark.parametrize("gap_ms", [12, 60, 400])
@pytest.mark.parametrize("held", [False, True])
def test_sound_that_vanishes_inside_an_answer_is_a_dropout(
    tmp_path: Path, gap_ms: int, held: bool
) -> None:
    built = make()
    start_s = built.answers()[2][0] + 0.9
    first = round(start_s * RATE_HZ)
    last = first + round(gap_ms * RATE_HZ / 1000)
    built.samples[first:last, SUBJECT] = built.samples[first - 1, SUBJECT] if held else 0.0
    record = check(built, tmp_path)
    (found,) = [p for p in record.problems if p.kind == "dropout"]
    assert (found.mic, found.severity) == ("subject", "fail")
    assert found.start_s == pytest.approx(start_s, abs=0.001)
    assert found.value == pytest.approx(gap_ms, abs=0.1)
    assert [(line.speaker, line.because) for line in record.at_risk] == [("subject", ["dropout"])]


def test_a_pack_that_mutes_in_pauses_is_a_note_and_spoils_nothing(tmp_path: Path) -> None:
    built = make(noise_dbfs=-60.0)
    speaking = np.zeros(len(built.samples), bool)
    for who, start_s, end_s in built.spoken:
        if who == SUBJECT:
            speaking[round((start_s - 0.1) * RATE_HZ) : round((end_s + 0.3) * RATE_HZ)] = True
    built.samples[~speaking, SUBJECT] = 0.0
    record = check(built, tmp_path)
    assert {p.severity for p in record.problems if p.kind == "dropout"} == {"note"}
    assert record.at_risk == []


@pytest.mark.parametrize("what", ["silence", "hiss"])
def test_a_microphone_unplugged_half_way_is_dead_from_there(tmp_path: Path, what: str) -> None:
    built = make(rounds=6)
    half = len(built.samples) // 2
    hiss = np.random.default_rng(3).normal(0, 10 ** (-85 / 20), len(built.samples) - half)
    built.samples[half:, SUBJECT] = 0.0 if what == "silence" else hiss
    record = check(built, tmp_path)
    (dead,) = [p for p in record.problems if p.kind == "mic_dead"]
    assert (dead.mic, dead.severity) == ("subject", "fail")
    assert dead.start_s == pytest.approx(half / RATE_HZ, abs=2.0 if what == "hiss" else 0.25)
    assert dead.end_s == pytest.approx(len(built.samples) / RATE_HZ, abs=0.25)
    later = [t for t in record.turns if t.start_s > half / RATE_HZ]
    assert {t.speaker for t in later} == {"interviewer", "subject"}
    assert all(line.because == ["mic_dead"] for line in record.at_risk)
    assert record.deliveries["podcast"].result == "fail"


def test_a_silent_interviewer_is_not_a_dead_microphone(tmp_path: Path) -> None:
    record = check(make(rounds=6, speakers=(SUBJECT,)), tmp_path)
    assert record.kind_of_take == "one person"
    assert {t.speaker for t in record.turns} == {"subject"}
    assert not [p for p in record.problems if p.kind == "mic_dead"]


@pytest.mark.parametrize("gain", [0.5, -0.5])
def test_one_signal_on_both_channels_is_dual_mono(tmp_path: Path, gain: float) -> None:
    """Whose microphone it is nobody can tell, so the verdict does not say that all is well."""
    built = make()
    built.samples[:, SUBJECT] = gain * built.samples[:, INTERVIEWER]
    record = check(built, tmp_path)
    (found,) = [p for p in record.problems if p.kind == "dual_mono"]
    assert (found.mic, found.start_s) == (None, 0.0)
    assert found.end_s == pytest.approx(record.take.duration_s, abs=0.1)
    assert ("inverted" in found.heard) is (gain < 0)
    assert any("together they cancel" in sentence for sentence in record.set_up) is (gain < 0)
    assert verdict_words(record).headline == "Usable, perhaps"


def test_opposite_polarity_is_found_and_only_there(tmp_path: Path, good: TakeRecord) -> None:
    record = check(make(invert_subject=True), tmp_path)
    assert ("polarity", None) in kinds(record)
    assert record.crosstalk.interviewer_into_subject.polarity == "opposite"
    assert ("polarity", None) not in kinds(good)


def test_a_strong_leak_is_crosstalk_in_the_microphone_it_lands_in(tmp_path: Path) -> None:
    record = check(make(leak_db=-4.0), tmp_path)
    assert {("crosstalk", "interviewer"), ("crosstalk", "subject")} <= kinds(record)


def test_too_much_background_and_too_little_level_are_found(tmp_path: Path) -> None:
    record = check(make(noise_dbfs=-40.0), tmp_path)
    assert {("noise", "interviewer"), ("noise", "subject")} <= kinds(record)
    record = check(make(gains_db=(-30.0, -30.0), noise_dbfs=-90.0), tmp_path)
    assert {("low_level", "interviewer"), ("low_level", "subject")} <= kinds(record)


def test_a_dc_offset_is_found(tmp_path: Path) -> None:
    built = make()
    built.samples[:, SUBJECT] += 0.02
    record = check(built, tmp_path)
    assert ("dc_offset", "subject") in kinds(record)
    assert record.mics["subject"].dc_offset == pytest.approx(0.02, abs=1e-4)


def test_samples_that_are_no_numbers_are_reported_and_not_spread(tmp_path: Path) -> None:
    built = make()
    clean = check(built, tmp_path).mics["interviewer"].loudness.integrated_lufs
    at = 5 * RATE_HZ + 7
    samples = built.samples.astype(np.float32)
    samples[at : at + 3, SUBJECT] = [np.nan, np.inf, -np.inf]
    sf.write(tmp_path / "bad.wav", samples, RATE_HZ, "FLOAT")
    record = check_take([tmp_path / "bad.wav"])
    (found,) = [p for p in record.problems if p.kind == "bad_samples"]
    assert (found.mic, found.value) == ("subject", 3)
    assert found.start_s == pytest.approx(at / RATE_HZ, abs=1e-4)
    assert b"NaN" not in encode(record)
    assert record.mics["interviewer"].loudness.integrated_lufs == pytest.approx(clean, abs=0.01)


def test_float_above_full_scale_is_not_clipped(tmp_path: Path) -> None:
    built = make(gains_db=(24.0, 24.0), noise_dbfs=-100.0)
    sf.write(tmp_path / "hot.wav", built.samples.astype(np.float32), RATE_HZ, "FLOAT")
    record = check_take([tmp_path / "hot.wav"])
    assert record.mics["subject"].sample_peak_dbfs > 0
    assert not [p for p in record.problems if p.kind == "clipping"]


def test_nobody_speaking_is_neither_an_error_nor_a_failure(tmp_path: Path) -> None:
    tone = np.random.default_rng(2).normal(0, 1e-3, (20 * RATE_HZ, 2))
    sf.write(tmp_path / "room.wav", tone, RATE_HZ, "PCM_24")
    record = check_take([tmp_path / "room.wav"])
    assert (record.kind_of_take, record.verdict) == ("nobody speaks", None)


@pytest.mark.parametrize("length_s", [0.001, 0.05, 0.5])
def test_a_take_of_no_length_is_what_it_is(tmp_path: Path, length_s: float) -> None:
    frames = max(1, round(length_s * RATE_HZ))
    sf.write(tmp_path / "short.wav", np.zeros((frames, 2)), RATE_HZ, "PCM_24")
    record = check_take([tmp_path / "short.wav"])
    assert (record.kind_of_take, record.verdict) == ("nobody speaks", None)


def test_a_safe_copy_at_lower_gain_saves_a_clipped_answer(tmp_path: Path) -> None:
    built = make()
    loud = built.samples.copy()
    start_s, end_s = built.answers()[1]
    part = slice(round(start_s * RATE_HZ), round(end_s * RATE_HZ))
    loud[part, SUBJECT] *= 12
    four = np.concatenate([np.clip(loud, -1, 1), loud * 10 ** (-20 / 20)], axis=1)
    sf.write(tmp_path / "four.wav", four, RATE_HZ, "PCM_24")
    record = check_take([tmp_path / "four.wav"])
    assert [(c.role, c.safety_of) for c in record.channels] == [
        ("interviewer", None),
        ("subject", None),
        ("safety", 1),
        ("safety", 2),
    ]
    assert [c.gain_offset_db for c in record.channels[2:]] == pytest.approx([-20, -20], abs=0.1)
    (line,) = record.at_risk
    assert line.because == ["clipping"]
    assert line.covered_by is not None
    assert (line.covered_by.channel, line.covered_by.usable) == (4, True)
    assert record.verdict == "usable"


def test_unused_channels_are_no_safe_copies(tmp_path: Path) -> None:
    built = make()
    other = np.random.default_rng(9).normal(0, 0.01, (len(built.samples), 1))
    sf.write(tmp_path / "x.wav", np.concatenate([other, built.samples], axis=1), RATE_HZ, "PCM_24")
    record = check_take([tmp_path / "x.wav"], CheckOptions(interviewer=2, subject=3))
    assert [c.role for c in record.channels] == ["unused", "interviewer", "subject"]
    assert record.crosstalk.subject_into_interviewer.level_db == pytest.approx(-14.0, abs=0.3)


def test_two_channels_of_one_microphone_tell_nobody_apart(tmp_path: Path) -> None:
    built = make(4)
    both = built.samples.sum(axis=1)
    built.samples = np.stack([both, 0.5 * both], axis=1)
    record = check(built, tmp_path)
    assert [p.kind for p in record.problems if p.severity != "note"] == ["dual_mono"]
    assert record.kind_of_take == "interview"  # not "one person": two may be talking
    assert record.roles.doubt is None
    assert record.deliveries["film"].result == "warn"


@pytest.mark.parametrize(("gain_db", "at_least"), [(-45.0, False), (-65.0, True)])
def test_speech_too_quiet_for_its_loudness_to_count_is_too_quiet(
    gain_db: float, at_least: bool, tmp_path: Path
) -> None:
    """Under the gate of BS.1770-5, -70 LUFS, no loudness is known, and no gain from it."""
    quiet = make(3, noise_dbfs=-75.0)
    quiet.samples *= 10 ** (gain_db / 20)
    record = check_take([quiet.write(tmp_path / "take.wav")])
    assert (record.mics["subject"].loudness.speech_lufs is None) == at_least
    found = [p for p in record.problems if p.kind == "low_level"]
    assert [p.mic for p in found] == ["interviewer", "subject"]
    assert all(("at least" in p.heard) == at_least for p in found)


@pytest.mark.parametrize("gain_db", [0.0, 12.0, 26.0])
def test_a_float_recording_over_full_scale_is_not_rounded_off_there(
    gain_db: float, tmp_path: Path
) -> None:
    hot = make(3)
    hot.samples *= 10 ** (gain_db / 20) / np.abs(hot.samples).max()
    path = tmp_path / "take.wav"
    sf.write(path, hot.samples, RATE_HZ, "FLOAT")
    assert [p for p in check_take([path]).problems if p.kind == "clipping"] == []


def test_a_delivery_named_twice_is_judged_once(tmp_path: Path) -> None:
    options = CheckOptions(specs=("podcast", "podcast"))
    record = check_take([make(2).write(tmp_path / "take.wav")], options)
    assert list(record.deliveries) == ["podcast"]
