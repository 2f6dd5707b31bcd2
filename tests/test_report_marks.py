"""Marks in open formats, each read back by a program that is not ours."""

import csv
import io
import struct
import wave

import msgspec
import pytest
import sample_records
import webvtt

from dualmic.record import Timecode
from dualmic.report import marks, tables, timeline


def with_heard(text: str):
    record = sample_records.build(problems=2)
    problems = [msgspec.structs.replace(problem, heard=text) for problem in record.problems]
    return msgspec.structs.replace(record, problems=problems)


def test_webvtt_cues_lie_where_the_problems_lie() -> None:
    # Read by webvtt-py.
    record = sample_records.build(problems=20, duration_s=7300.0)
    read = webvtt.from_buffer(io.StringIO(marks.web_vtt(record).decode()))
    assert [cue.identifier for cue in read] == [f"problem-{p.id}" for p in record.problems]
    for cue, problem in zip(read, record.problems, strict=True):
        hours, minutes, seconds = cue.start.split(":")
        start_s = int(hours) * 3600 + int(minutes) * 60 + float(seconds)
        assert start_s == pytest.approx(problem.start_s, abs=0.0006)
        assert cue.end > cue.start  # a cue without length is not shown (W3C WebVTT, 4.1)
        assert problem.heard in cue.text


def test_webvtt_keeps_text_that_looks_like_markup() -> None:
    # W3C WebVTT 4.2.2: "&" and "<" must be escaped; "-->" would end the cue's text.
    text = marks.web_vtt(with_heard("5 < 6 & <b>so</b> --> on\n\nNOTE end")).decode()
    assert "5 &lt; 6 &amp; &lt;b&gt;so&lt;/b&gt; --&gt; on NOTE end" in text
    assert len(list(webvtt.from_buffer(io.StringIO(text)))) == 2


def test_marks_csv_carries_timecode_seconds_and_samples() -> None:
    record = sample_records.build(problems=5)
    rows = list(csv.DictReader(io.StringIO(marks.marks_csv(record).decode("utf-8-sig"))))
    for row, problem in zip(rows, record.problems, strict=True):
        assert row["Start timecode"] == problem.start_timecode
        assert float(row["Start (seconds)"]) == pytest.approx(problem.start_s, abs=0.0006)
        assert int(row["Start (samples)"]) == round(problem.start_s * 48000)


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r"])
def test_a_spreadsheet_runs_no_cell(start: str) -> None:
    # OWASP, "CSV Injection": cells that begin with = + - @ tab or CR.
    record = with_heard(f'{start}HYPERLINK("http://x")')
    for data in (tables.problems_csv(record), marks.marks_csv(record)):
        assert data.startswith(b"\xef\xbb\xbf")
        for row in csv.reader(io.StringIO(data.decode("utf-8-sig"), newline="")):
            assert not any(cell.startswith(start) for cell in row)


def test_problem_table_names_every_unit_and_holds_every_problem() -> None:
    record = sample_records.build(problems=20)
    rows = list(csv.DictReader(io.StringIO(tables.problems_csv(record).decode("utf-8-sig"))))
    assert len(rows) == 20
    assert {"Start (seconds)", "End (seconds)", "Unit", "What to do"} <= set(rows[0])
    for row, problem in zip(rows, record.problems, strict=True):
        assert (row["Kind"], row["What was heard"]) == (problem.kind, problem.heard)
        assert float(row["Value"]) == problem.value


def chunks(data: bytes) -> dict[bytes, bytes]:
    """RIFF by hand: four letters, a little-endian length, padded to an even count."""
    found = {}
    at = 0
    while at < len(data):
        name, size = data[at : at + 4], struct.unpack("<I", data[at + 4 : at + 8])[0]
        found[name] = data[at + 8 : at + 8 + size]
        at += 8 + size + size % 2
    assert at == len(data)
    return found


@pytest.mark.parametrize("duration_s", [10.0, 1800.0, 14400.0])
def test_companion_wav_is_as_long_as_the_take_and_marks_it(duration_s: float) -> None:
    record = sample_records.build(problems=20, duration_s=duration_s)
    data = marks.companion_wav(record)
    assert data[:4] == b"RIFF"
    assert struct.unpack("<I", data[4:8])[0] == len(data) - 8
    assert data[8:12] == b"WAVE"
    with wave.open(io.BytesIO(data)) as opened:  # Python's own reader
        rate = opened.getframerate()
        assert opened.getnframes() / rate == pytest.approx(duration_s)
        assert set(opened.readframes(100)) == {0x80}  # silence in unsigned 8 bit
    parts = chunks(data[12:])
    count = struct.unpack("<I", parts[b"cue "][:4])[0]
    points = list(struct.iter_unpack("<II4sIII", parts[b"cue "][4:]))
    assert count == len(points) == 20
    for point, problem in zip(points, record.problems, strict=True):
        assert point[0] == problem.id
        assert point[5] / rate == pytest.approx(problem.start_s, abs=0.001)
        assert point[1] == point[5] < duration_s * rate


def test_companion_wav_labels_every_cue() -> None:
    record = sample_records.build(problems=3)
    parts = chunks(marks.companion_wav(record)[12:])
    assert parts[b"LIST"][:4] == b"adtl"
    labels, at = {}, 4
    while at < len(parts[b"LIST"]):
        name = parts[b"LIST"][at : at + 4]
        size = struct.unpack("<I", parts[b"LIST"][at + 4 : at + 8])[0]
        content = parts[b"LIST"][at + 8 : at + 8 + size]
        if name == b"labl":
            assert content.endswith(b"\0")
            labels[struct.unpack("<I", content[:4])[0]] = content[4:-1].decode()
        at += 8 + size + size % 2
    assert labels == {p.id: marks.mark_name(p) for p in record.problems}


@pytest.mark.parametrize(
    ("start", "rate", "drop", "seconds"),
    [
        ("10:11:12:00", "25", False, 36672.0),
        ("01:00:00;00", "29.97", True, 107892 * 1001 / 30000),  # SMPTE ST 12-1: 108 labels dropped
        ("00:00:01:12", "24", False, 1.5),
    ],
)
def test_companion_wav_begins_at_the_takes_timecode(
    start: str, rate: str, drop: bool, seconds: float
) -> None:
    # EBU Tech 3285: TimeReference is the sample count since midnight, at offset 338 of bext.
    record = sample_records.build(problems=1)
    take = msgspec.structs.replace(record.take, timecode=Timecode(start, rate, drop))
    data = marks.companion_wav(msgspec.structs.replace(record, take=take))
    parts = chunks(data[12:])
    low, high = struct.unpack("<II", parts[b"bext"][338:346])
    with wave.open(io.BytesIO(data)) as opened:
        assert ((high << 32) + low) / opened.getframerate() == pytest.approx(seconds, abs=0.001)


def test_timeline_marks_each_microphone_at_its_timecode() -> None:
    otio = pytest.importorskip("opentimelineio", reason="the timeline extra is not installed")
    record = sample_records.build(problems=20)
    read = otio.adapters.read_from_string(timeline.timeline(record).decode(), "otio_json")
    assert read.global_start_time.to_timecode() == "10:11:12:00"
    assert [track.name for track in read.tracks] == ["interviewer", "subject"]
    for track in read.tracks:
        wanted = [p for p in record.problems if p.mic in (track.name, None)]
        clip = track[0]
        assert [marker.name for marker in clip.markers] == [marks.mark_name(p) for p in wanted]
        for marker, problem in zip(clip.markers, wanted, strict=True):
            begin = marker.marked_range.start_time
            assert abs(begin.to_frames() - round((36672 + problem.start_s) * 25)) <= 1
            assert clip.source_range.contains(begin)


def test_timeline_without_timecode_begins_at_nought() -> None:
    otio = pytest.importorskip("opentimelineio", reason="the timeline extra is not installed")
    record = sample_records.build(problems=2, timecode=False)
    read = otio.adapters.read_from_string(timeline.timeline(record).decode(), "otio_json")
    assert read.global_start_time.value == 0
