"""The newest recording on a card is found by clip number and recording date."""

import os
from pathlib import Path

import pytest
import recording_files as files
from recording_files import noise, packed_24

from dualmic.errors import RecordingError
from dualmic.newest import newest_recording, recordings_in
from dualmic.overnight.finding import files_in

SOUND = packed_24(noise(1_000))


def clip(path: Path, date: str = "2024-05-03", time: str = "10:00:00", changed_s: int = 0) -> Path:
    """Write a recording with its own date, and the file's date in seconds after 2024-05-03."""
    path.parent.mkdir(parents=True, exist_ok=True)
    bext = files.bext(0, date, time)
    path.write_bytes(files.wave(SOUND, files.wave_format(2), before=bext))
    os.utime(path, (1_714_694_400 + changed_s,) * 2)
    return path


def test_the_highest_clip_number_is_the_newest_of_a_series(tmp_path: Path) -> None:
    clip(tmp_path / "C0009.WAV", time="10:00:00")
    newest = clip(tmp_path / "C0010.WAV", time="11:00:00", changed_s=60)
    found = newest_recording(tmp_path)
    assert found.path == newest
    assert "latest clip number of 2" in found.because
    assert "clock" not in found.because


def test_a_clock_that_was_reset_does_not_hide_the_newest(tmp_path: Path) -> None:
    clip(tmp_path / "C0009.WAV", date="2024-05-03", changed_s=3600)
    newest = clip(tmp_path / "C0010.WAV", date="2015-01-01", changed_s=-9_000_000)
    found = newest_recording(tmp_path)
    assert found.path == newest
    assert "clock reset" in found.because


def test_between_series_the_recording_date_counts_and_not_the_files(tmp_path: Path) -> None:
    # Copying gives files a new date; the one written into them stays.
    clip(tmp_path / "A" / "A0412.WAV", date="2024-05-02", changed_s=9_000)
    newest = clip(tmp_path / "B" / "B0007.WAV", date="2024-05-03")
    found = newest_recording(tmp_path)
    assert found.path == newest
    assert "2 series" in found.because
    assert "2024-05-03" in found.because


def test_numbers_that_began_again_are_later(tmp_path: Path) -> None:
    for number in (9_998, 9_999):
        clip(tmp_path / f"C{number}.WAV")
    newest = clip(tmp_path / "C0002.WAV")
    clip(tmp_path / "C0001.WAV")
    assert newest_recording(tmp_path).path == newest


def test_a_file_that_cannot_be_opened_is_passed_over(tmp_path: Path) -> None:
    good = clip(tmp_path / "C0001.WAV")
    (tmp_path / "C0002.WAV").write_bytes(b"RIFF")
    (tmp_path / "notes.txt").write_text("C0003")
    (tmp_path / "._C0004.WAV").write_bytes(b"\0" * 4096)
    assert newest_recording(tmp_path).path == good


def test_no_recording_is_said_in_a_line(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="no recording"):
        newest_recording(tmp_path)
    with pytest.raises(RecordingError, match="not a folder"):
        newest_recording(tmp_path / "nowhere")


def test_recordings_are_listed_in_order_without_hidden_ones(tmp_path: Path) -> None:
    for name in ["b/2.MOV", "b/1.mxf", "a.wav", ".trash/x.wav", "._a.wav", "b/1.xml", "b/1.jpg"]:
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        path.touch()
    listed = [str(path.relative_to(tmp_path)) for path in recordings_in(tmp_path)]
    assert listed == ["a.wav", "b/1.mxf", "b/2.MOV"]


def test_a_reports_own_sound_is_no_recording(tmp_path: Path) -> None:
    """A file of that name alone is somebody's recording; beside its table it is the report's."""
    wav = clip(tmp_path / "C0001.marks.wav")
    assert list(recordings_in(tmp_path)) == [seen.path for seen in files_in(tmp_path)] == [wav]
    wav.with_suffix(".csv").touch()
    assert list(recordings_in(tmp_path)) == list(files_in(tmp_path)) == []
