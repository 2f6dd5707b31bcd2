"""What files say of themselves and what reading them met: in the record, on screen, in reports."""

from pathlib import Path

import numpy as np
import pytest
import recording_files as files
from speech_scene import INTERVIEWER, RATE_HZ, SUBJECT, Scene, make

from dualmic.record import TakeRecord, decode, encode
from dualmic.recording import open_recording
from dualmic.report import write_report_set
from dualmic.report.outline import AS_WRITTEN, outline
from dualmic.report.terminal import screen
from dualmic.settings import Settings, TrackNames
from dualmic.take import CheckOptions, check_take

PICTURE = RATE_HZ // 25


def monos(built: Scene) -> list[np.ndarray]:
    whole = (np.clip(built.samples, -1, 1) * (2**23 - 1)).astype(np.int32) << 8
    return [whole[:, :1], whole[:, 1:]]


def gapped(folder: Path, tracks: list[int], at_s: float, length_s: float) -> TakeRecord:
    """Check a take whose tracks' timestamps jump over lost sound, from a whole picture on."""
    start = round(at_s * 25) * PICTURE
    lost = slice(start, start + round(length_s * RATE_HZ))
    sound = [
        np.delete(mono, lost, axis=0) if track in tracks else mono
        for track, mono in enumerate(monos(make(rounds=2)))
    ]
    path = files.write_av(folder / "a.mkv", sound, gap=(start, length_s), gap_tracks=tracks)
    return check_take([path])


def gaps(record: TakeRecord) -> list[tuple[str, int, float, float]]:
    return [
        (str(p.mic), p.channel or 0, p.start_s, p.value or 0.0)
        for p in record.problems
        if p.kind == "dropout" and "gap" in p.heard
    ]


@pytest.mark.parametrize("mic", [INTERVIEWER, SUBJECT])
def test_a_gap_in_one_track_is_a_problem_of_that_microphone(mic: int, tmp_path: Path) -> None:
    start_s, end_s = next(place[1:] for place in make(rounds=2).spoken if place[0] == mic)
    middle_s = round((start_s + end_s) / 2 * 25) / 25
    record = gapped(tmp_path, [mic], middle_s, 0.2)
    role = ("interviewer", "subject")[mic]
    ((where, channel, at_s, lost_ms),) = gaps(record)
    assert (where, channel) == (role, mic + 1)
    assert at_s == pytest.approx(middle_s, abs=0.002)
    assert lost_ms == pytest.approx(200, abs=2)
    # The same silence is not told a second time, and what was said there is at risk.
    assert [p.kind for p in record.problems if p.mic == role].count("dropout") == 1
    (line,) = record.at_risk
    assert (line.speaker, line.because) == (role, ["dropout"])
    told = f"Track {mic + 1} has a gap in its timestamps, 0.20 s in all"
    assert any(told in note for note in record.take.notes)


def test_a_gap_in_all_tracks_is_one_of_each_microphone(tmp_path: Path) -> None:
    start_s, end_s = make(rounds=2).answers()[0]
    record = gapped(tmp_path, [0, 1], (start_s + end_s) / 2, 0.2)
    assert [place[0] for place in gaps(record)] == ["interviewer", "subject"]
    assert [line.speaker for line in record.at_risk] == ["subject"]
    for delivery in record.deliveries.values():
        (lost,) = [c for c in delivery.checks if c.id == "dropout" and c.mic == "subject"]
        assert lost.result == "fail"


def test_a_gap_on_a_channel_that_nobody_uses_is_only_noted(tmp_path: Path) -> None:
    one, two = monos(make(rounds=1))
    extra = files.noise(len(one), 1, bits=16) >> 8
    path = files.write_av(
        tmp_path / "a.mkv", [one, two, extra], gap=(10 * PICTURE, 0.2), gap_tracks=[2]
    )
    record = check_take([path])
    assert gaps(record) == []
    assert any("Track 3 has a gap" in note for note in record.take.notes)


def test_gaps_of_the_second_of_two_files_are_on_its_channels(tmp_path: Path) -> None:
    one, two = monos(make(rounds=2))
    start_s, end_s = make(rounds=2).answers()[0]
    jump = round((start_s + end_s) / 2 * 25) * PICTURE
    paths = [
        files.write_av(tmp_path / "lav-a.mkv", [one]),
        files.write_av(tmp_path / "lav-b.mkv", [two], gap=(jump, 0.2)),
    ]
    record = check_take(paths)
    assert [place[:2] for place in gaps(record)] == [("subject", 2)]
    assert any(note.startswith("lav-b.mkv: Track 1 has a gap") for note in record.take.notes)


WORDS = {"comment": "gate 4 = upstream", "title": "Žofie"}


@pytest.fixture(scope="module")
def worded(tmp_path_factory: pytest.TempPathFactory) -> TakeRecord:
    """A camera file with words of its own and a track that ends early."""
    folder = tmp_path_factory.mktemp("worded")
    one, two = monos(make(rounds=1))
    tracks = [one, two[: -RATE_HZ // 2 // PICTURE * PICTURE]]
    path = files.write_av(folder / "a.mov", tracks, picture="mpeg4", metadata=WORDS)
    return check_take([path])


def test_a_files_own_words_and_reading_notes_are_in_the_record(worded: TakeRecord) -> None:
    assert WORDS.items() <= worded.take.texts.items()
    assert len(worded.take.notes) == 1
    assert "a.mov: Track 2 ends 0." in worded.take.notes[0]


def test_they_are_shown_as_the_cameras_own_words_not_checked(
    worded: TakeRecord, tmp_path: Path
) -> None:
    facts = dict(outline(worded).facts)
    assert AS_WRITTEN == "As written by the camera, not checked"
    assert "comment: gate 4 = upstream" in facts[AS_WRITTEN]
    assert facts["While reading"] == worded.take.notes[0]
    write_report_set(worded, tmp_path)
    page = (tmp_path / "a.html").read_text()
    assert AS_WRITTEN in page
    assert "gate 4 = upstream" in page
    assert "While reading\n  a.mov: Track 2 ends" in screen(worded)


def test_safe_copies_are_named_in_reports() -> None:
    import msgspec
    import sample_records
    from sample_records import r

    record = sample_records.build(problems=0, duration_s=10.0)
    copy = r.Channel(4, 0, 4, None, "safety", safety_of=2, gain_offset_db=-12.0)
    record = msgspec.structs.replace(record, channels=[*record.channels, copy])
    told = dict(outline(record).facts)["Safe copy"]
    assert told == "channel 4 holds channel 2 again, 12.0\u00a0dB lower"


def test_a_rate_the_file_does_not_state_is_called_so(tmp_path: Path) -> None:
    form = files.wave_format(2)
    data = files.packed_24(files.noise(4_800))
    (tmp_path / "a.wav").write_bytes(files.wave(data, form, before=files.bext(36_000 * RATE_HZ)))
    record = check_take([tmp_path / "a.wav"])
    assert dict(outline(record).facts)["Start timecode"] == (
        "10:00:00:00 at 25 frames/s (the file states no rate)"
    )


SPOKEN_OF = {"creation_time": "2024-05-03T10:11:12Z", "comment": "gate 4", "title": "Locks"}


@pytest.mark.parametrize("name", ["a.mov", "a.mp4", "a.mkv", "a.avi"])
def test_camera_files_tell_track_names_and_words(name: str, tmp_path: Path) -> None:
    parts = np.split(files.noise(4_800), 2, axis=1)
    path = files.write_av(
        tmp_path / name, parts, picture="mpeg4", names=["Lav B", "Lav A"], metadata=SPOKEN_OF
    )
    with open_recording([path]) as recording:
        info = recording.info
    assert [channel.name for channel in info.channels] == ["Lav B", "Lav A"]
    assert {"comment": "gate 4", "title": "Locks"}.items() <= info.texts.items()


@pytest.mark.parametrize("name", ["a.mov", "a.mkv", "a.avi"])
def test_words_that_are_no_utf_8_keep_nobody_from_a_recording(name: str, tmp_path: Path) -> None:
    words = {"title": "Gate QQ of Locks", "comment": "gate 4"}
    parts = np.split(files.noise(4_800), 2, axis=1)
    path = files.write_av(tmp_path / name, parts, picture="mpeg4", names=["QQ 1"], metadata=words)
    # Windows-1252, as programmes of old write it.
    path.write_bytes(path.read_bytes().replace(b"QQ", b"\xe9\xff"))
    record = check_take([path])
    told = record.take.texts["title"]
    assert (told[:5], told[-9:]) == ("Gate ", " of Locks")
    assert record.take.texts["comment"] == "gate 4"
    assert decode(encode(record)).take.texts["title"] == told


@pytest.mark.parametrize("name", ["a.mov", "a.mp4", "a.mkv", "a.mxf"])
def test_camera_files_tell_when_they_were_recorded(name: str, tmp_path: Path) -> None:
    # MXF calls it the package's modification date (SMPTE ST 377-1).
    words = SPOKEN_OF | {"modification_date": "2024-05-03 10:11:12"}
    picture = "mpeg2video" if name == "a.mxf" else "mpeg4"
    sound = [files.noise(4_800)]
    path = files.write_av(tmp_path / name, sound, picture=picture, metadata=words)
    with open_recording([path]) as recording:
        assert recording.info.recorded_at == "2024-05-03T10:11:12Z"


def test_tracks_named_in_the_settings_are_the_microphones(tmp_path: Path) -> None:
    one, two = monos(make(rounds=1))
    names = ["Lav B", "Lav A"]
    path = files.write_av(tmp_path / "a.mov", [two, one], picture="mpeg4", names=names)
    settings = Settings(tracks=TrackNames(interviewer=["Lav A"], subject=["Lav B"]))
    record = check_take([path], CheckOptions(settings=settings))
    assert (record.roles.interviewer, record.roles.subject) == (2, 1)
    # Truth: the interviewer speaks first in the scene.
    assert record.turns[0].speaker == "interviewer"
    told = dict(outline(record).facts)
    assert told["Who is who"] == 'decided by track names "Lav A" and "Lav B"'
    assert told["Interviewer"] == "channel 2"
