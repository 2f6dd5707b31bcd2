"""The demo's takes are what they are said to be, and the tool finds what was done to them."""

import functools

import av
import numpy as np
import pytest
import soundfile

from dualmic.demo import run_demo
from dualmic.errors import ReportError
from dualmic.lock_keeper import files, mix
from dualmic.lock_keeper.room import RATE_HZ
from dualmic.lock_keeper.script import EXCHANGES

scene_of = functools.cache(mix.mix_take)


def part(scene, start_s, end_s):
    return scene.samples[round(start_s * RATE_HZ) : round(end_s * RATE_HZ)]


def level_db(samples):
    return 10 * np.log10(np.mean(np.square(samples), axis=0))


def test_every_line_is_spoken_and_the_voices_are_small():
    voices = sorted(mix.VOICES.glob("*.flac"))
    assert len(voices) == 2 * len(EXCHANGES) == 20
    assert sum(path.stat().st_size for path in voices) < 2_000_000
    assert all(soundfile.info(path).samplerate == 22_050 for path in voices)


@pytest.mark.parametrize("number", mix.TAKES)
def test_a_take_is_one_to_two_and_a_half_minutes_long_and_not_overloaded(number):
    samples = scene_of(number).samples
    assert 60 <= len(samples) / RATE_HZ <= 150
    assert np.abs(samples).max() < 0.75


def test_the_same_take_is_mixed_every_time():
    assert np.array_equal(mix.mix_take(1).samples, scene_of(1).samples)


def test_the_good_take_has_speech_30_db_over_its_room_tone():
    scene = scene_of(1)
    tone = level_db(part(scene, 0.5, 4.5))
    for line in scene.lines:
        own = mix.PEOPLE.index(line.speaker)
        speech = level_db(part(scene, line.start_s, line.end_s))[own]
        assert speech == pytest.approx(-24, abs=1.5)
        assert speech - tone[own] == pytest.approx(32, abs=2.5)


def test_the_room_tone_is_partly_common_and_partly_each_microphones_own():
    tone = part(scene_of(1), 0.5, 4.5)
    late = round(0.0015 * RATE_HZ)
    shared = np.corrcoef(tone[:-late, 0], tone[late:, 1])[0, 1]
    assert 0.3 < shared < 0.8


@pytest.mark.parametrize("number", [1, 2])
@pytest.mark.parametrize("speaker", mix.PEOPLE)
def test_a_voice_leaks_into_the_other_microphone_late_and_softer(speaker, number):
    scene, seating = scene_of(number), mix.SEATINGS[number]
    own = mix.PEOPLE.index(speaker)
    noise = np.mean(np.square(part(scene, 0.5, 4.5)), axis=0)
    spoken = np.concatenate(
        [part(scene, x.start_s, x.end_s) for x in scene.lines[:3] if x.speaker == speaker]
    )
    power = np.mean(np.square(spoken), axis=0) - noise
    leak_db = 10 * np.log10(power[1 - own] / power[own])
    assert leak_db == pytest.approx(seating.leak_db[speaker], abs=0.5)
    size = 2 ** int(np.ceil(np.log2(2 * len(spoken))))
    cross = np.fft.rfft(spoken[:, 1 - own], size) * np.conj(np.fft.rfft(spoken[:, own], size))
    # Phase transform (Knapp & Carter 1976): the peak is the direct sound's delay.
    lag = np.fft.irfft(cross / (np.abs(cross) + 1e-12), size)[: RATE_HZ // 20]
    assert np.argmax(lag) / RATE_HZ == pytest.approx(seating.delay_s[speaker], abs=1e-4)


def test_take_2_is_flat_at_the_preamps_ceiling_inside_the_raised_answer_only():
    scene = scene_of(2)
    clipping = scene.damages[0]
    answer = scene.lines[3]
    flat = np.abs(scene.samples[:, 1]) == mix.PREAMP_CEILING
    at_s = np.flatnonzero(flat) / RATE_HZ
    assert (clipping.kind, clipping.mic) == ("clipping", "subject")
    assert answer.start_s < clipping.start_s == pytest.approx(at_s[0], abs=1e-4)
    assert answer.end_s > clipping.end_s == pytest.approx(at_s[-1], abs=1e-4)
    assert 50 < flat.sum() / RATE_HZ * 1000 < 500
    assert not np.any(np.abs(scene.samples[:, 0]) == mix.PREAMP_CEILING)


def test_take_2_loses_the_subjects_sound_for_0_4_s_in_the_loud_middle_of_an_answer():
    scene = scene_of(2)
    dropout, answer = scene.damages[1], scene.lines[5]
    assert answer.start_s < dropout.start_s < dropout.end_s < answer.end_s
    silent = np.flatnonzero(scene.samples[:, 1] == 0)
    assert len(silent) == pytest.approx(0.4 * RATE_HZ, abs=2)
    assert silent[[0, -1]] / RATE_HZ == pytest.approx([dropout.start_s, dropout.end_s], abs=1e-4)
    around = part(scene, dropout.start_s - 0.1, dropout.start_s - 0.001)
    assert level_db(around)[1] > -35


def test_take_3_holds_nothing_of_the_subject_after_the_plug_is_pulled():
    scene = scene_of(3)
    (dead,) = scene.damages
    assert dead.kind == "mic_dead"
    assert level_db(part(scene, dead.start_s - 5, dead.start_s))[1] > -30
    after = level_db(part(scene, dead.start_s + 0.5, dead.end_s))
    assert after[1] == pytest.approx(mix.DEAD_INPUT_DBFS, abs=0.5)
    assert after[0] > -40


@pytest.mark.parametrize("number", [1, 3])
def test_the_wav_takes_hold_the_mix_at_24_bits(number, tmp_path):
    path = files.write_take(scene_of(number), tmp_path)
    info = soundfile.info(path)
    assert (info.samplerate, info.channels, info.subtype) == (RATE_HZ, 2, "PCM_24")
    written, _ = soundfile.read(path)
    assert np.abs(written - scene_of(number).samples).max() <= 2**-24 * 1.01


def test_take_1_says_the_clock_time_of_its_start(tmp_path):
    # FFmpeg reads TimeReference, samples since midnight (EBU Tech 3285): 10:12:30 at 48 kHz.
    with av.open(str(files.write_take(scene_of(1), tmp_path))) as take:
        assert int(take.metadata["time_reference"]) == (10 * 3600 + 12 * 60 + 30) * 48_000


def test_take_2_is_a_camera_file_with_two_mono_tracks_and_timecode(tmp_path):
    path = files.write_take(scene_of(2), tmp_path)
    with av.open(str(path)) as take:
        assert [s.codec_context.name for s in take.streams.audio] == ["pcm_s24le"] * 2
        assert [s.codec_context.channels for s in take.streams.audio] == [1, 1]
        assert take.streams.video[0].metadata["timecode"] == "10:26:05:00"
        for channel in (0, 1):
            take.seek(0)
            frames = [f.to_ndarray()[0] for f in take.decode(audio=channel)]
            written = np.concatenate(frames) / 2**31
            assert np.abs(written - scene_of(2).samples[:, channel]).max() <= 2**-24 * 1.01


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    return run_demo(tmp_path_factory.mktemp("demo"))


def of_kind(record, kind):
    return [problem for problem in record.problems if problem.kind == kind]


def test_the_demo_writes_takes_and_reports_and_says_what_to_open(demo):
    assert [path.name for path in demo.takes] == list(files.NAMES.values())
    for take in demo.takes:
        of_take = {p.suffix for p in demo.reports if p.stem == take.stem and p.stat().st_size}
        assert of_take >= {".json", ".html", ".pdf", ".png", ".svg", ".csv"}
    for suffix in (".html", ".pdf", ".png"):
        (path,) = (p for p in demo.reports if p.name == f"lock-keeper-2{suffix}")
        assert str(path) in demo.text
    assert "ask again" in demo.text


def test_what_the_demo_says_fits_80_columns(demo):
    # In the folder that it writes to unless another is named.
    text = demo.text.replace(str(demo.takes[0].parent.parent), "dualmic-demo")
    assert "dualmic-demo/reports" in text
    assert max(len(line) for line in text.splitlines()) <= 80


def test_every_line_of_the_first_two_takes_is_a_turn_of_its_speaker(demo):
    for number in (1, 2):
        turns = demo.records[number - 1].turns
        for line in scene_of(number).lines:
            (turn,) = (t for t in turns if t.speaker == line.speaker and t.start_s < line.end_s
                       and t.end_s > line.start_s)  # fmt: skip
            assert turn.start_s == pytest.approx(line.start_s, abs=0.5)
            assert turn.end_s == pytest.approx(line.end_s, abs=0.5)


def test_the_good_take_is_usable_and_passes(demo):
    record = demo.records[0]
    assert (record.verdict, record.problems, record.at_risk) == ("usable", [], [])
    assert {name: d.result for name, d in record.deliveries.items()} == {
        "podcast": "pass",
        "film": "pass",
    }


def test_crosstalk_level_delay_and_polarity_are_those_of_the_mix(demo):
    for number in (1, 2):
        crosstalk, seating = demo.records[number - 1].crosstalk, mix.SEATINGS[number]
        leaks = {
            "interviewer": crosstalk.interviewer_into_subject,
            "subject": crosstalk.subject_into_interviewer,
        }
        for speaker, leak in leaks.items():
            # Take 2's subject is clipped on their own microphone: that voice reads too low there.
            off_db = 1.5 if (number, speaker) == (2, "subject") else 1.0
            assert leak.level_db == pytest.approx(seating.leak_db[speaker], abs=off_db)
            assert leak.delay_ms == pytest.approx(1000 * seating.delay_s[speaker], abs=0.1)
            assert leak.polarity == "same"


def test_the_clipping_is_found_where_it_was_made(demo):
    found = of_kind(demo.records[1], "clipping")
    truth = scene_of(2).damages[0]
    assert {problem.mic for problem in found} == {"subject"}
    assert min(p.start_s for p in found) == pytest.approx(truth.start_s, abs=0.05)
    assert max(p.end_s for p in found) == pytest.approx(truth.end_s, abs=0.05)


def test_the_dropout_is_found_where_it_was_made_with_its_timecode(demo):
    (found,) = of_kind(demo.records[1], "dropout")
    truth = scene_of(2).damages[1]
    assert found.mic == "subject"
    assert found.start_s == pytest.approx(truth.start_s, abs=0.005)
    assert found.end_s == pytest.approx(truth.end_s, abs=0.005)
    # 50.15 s after 10:26:05:00 at 25 frames a second: second 55, frame 0.1456 * 25 = 3.
    assert found.start_timecode == "10:26:55:03"


def test_the_damaged_answers_are_the_ones_at_risk(demo):
    record, scene = demo.records[1], scene_of(2)
    answers = {
        tuple(line.because): said.number
        for line in record.at_risk
        for said in scene.lines
        if said.speaker == line.speaker and said.start_s < line.end_s and said.end_s > line.start_s
    }
    assert answers == {("clipping",): 5, ("dropout",): 6}
    assert len(record.at_risk) == 2
    assert record.verdict == "usable but for these answers"


def test_the_unplugged_microphone_is_found_and_its_answers_are_to_be_asked_again(demo):
    record, scene = demo.records[2], scene_of(3)
    (found,) = of_kind(record, "mic_dead")
    assert found.mic == "subject"
    assert found.start_s == pytest.approx(scene.damages[0].start_s, abs=1.0)
    last_answer = scene.lines[5]
    assert any(
        line.start_s < last_answer.end_s
        and line.end_s > last_answer.start_s
        and "mic_dead" in line.because
        for line in record.at_risk
    )
    assert record.verdict in ("usable but for these answers", "not usable")


def test_a_folder_that_cannot_be_made_is_said_in_one_line(tmp_path):
    (tmp_path / "note").write_text("not a folder")
    with pytest.raises(ReportError, match="Cannot write the demo into"):
        run_demo(tmp_path / "note")
