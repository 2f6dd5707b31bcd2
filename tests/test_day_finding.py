"""Recordings are found by what is in the files, and what belongs together is put together."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf

from dualmic.overnight.finding import Unit, files_in, group
from dualmic.readers.filereader import FileHead, FileTrack
from dualmic.readers.openfile import read_head
from dualmic.record import Timecode

RATE_HZ = 8000


def write(path: Path, seed: int, channels: int = 2) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    noise = np.random.default_rng(seed).normal(0, 0.01, (RATE_HZ, channels))
    sf.write(path, noise, RATE_HZ, format="WAV")
    return path


def test_a_recording_is_known_by_its_bytes_whatever_its_name(tmp_path: Path) -> None:
    wanted = {write(tmp_path / "card" / "CLIP" / "one.wav", 1), write(tmp_path / "odd.xyz", 2)}
    write(tmp_path / ".trash" / "gone.wav", 3)
    write(tmp_path / "card" / "._one.wav", 4)
    (tmp_path / "card" / "one.xml").write_text("<clip/>")
    (tmp_path / "card" / "thumb.wav").write_bytes(b"\xff\xd8\xff\xe0" + bytes(300))  # a JPEG
    (tmp_path / "empty.wav").touch()
    assert {file.path for file in files_in(tmp_path)} == wanted


@pytest.mark.parametrize(
    ("start", "known"),
    [
        (b"\0\0\0\x20ftypqt  ", True),
        (b"\0\0\0\x20ftypheic", False),
        (b"\x1a\x45\xdf\xa3", True),
        (b"RIFF\0\0\0\0WEBP", False),
        ("Notes of the day".encode("utf-16"), False),
        (b"\xff\xfb\x90\x64", True),
        (b"%PDF-1.7", False),
    ],
)
def test_containers_that_can_hold_sound(tmp_path: Path, start: bytes, known: bool) -> None:
    (tmp_path / "file").write_bytes(start + bytes(300))
    assert bool(list(files_in(tmp_path))) is known


def test_two_mono_files_of_one_length_are_one_take(tmp_path: Path) -> None:
    paths = [write(tmp_path / f"T01_LAV{k}.wav", k, channels=1) for k in (1, 2)]
    units, _ = group([read_head(path) for path in paths])
    assert [(unit.paths, unit.shape) for unit in units] == [(tuple(paths), "two files")]


def test_a_mono_file_and_its_copy_are_no_pair(tmp_path: Path) -> None:
    paths = [write(tmp_path / name, 1, channels=1) for name in ("T01.wav", "T02.wav")]
    units, _ = group([read_head(path) for path in paths])
    assert [unit.shape for unit in units] == ["alone", "alone"]


def head(name: str, start: str | None, seconds: int = 60, **changes: object) -> FileHead:
    made = FileHead(
        path=Path("/card") / name,
        size_bytes=1_000_000,
        container="wav",
        codec="pcm",
        sample_rate_hz=48000,
        bit_depth=24,
        is_float=False,
        is_lossy=False,
        tracks=(FileTrack(1), FileTrack(2)),
        promised_frames=48000 * seconds,
        timecode=Timecode(start, "25") if start else None,
    )
    return replace(made, **changes)  # type: ignore[arg-type]


def shapes(units: list[Unit]) -> list[list[str]]:
    return [[path.name for path in unit.paths] for unit in units]


def test_parts_that_go_on_by_timecode_are_one_take() -> None:
    heads = [head("A1.wav", "10:00:00:00"), head("A2.wav", "10:01:00:00")]
    later = head("A3.wav", "11:00:00:00")
    assert shapes(group([*heads, later])[0]) == [["A1.wav", "A2.wav"], ["A3.wav"]]


def test_numbered_clips_without_times_join_only_when_the_first_is_full() -> None:
    second = head("A_2.wav", None)
    assert len(group([head("A_1.wav", None), second])[0]) == 2
    full = head("A_1.wav", None, size_bytes=2_000_000_000)
    assert shapes(group([full, second])[0]) == [["A_1.wav", "A_2.wav"]]


def test_a_small_lossy_file_of_the_same_time_and_name_is_a_proxy() -> None:
    big = head("A1.mov", "10:00:00:00", size_bytes=9_000_000)
    small = head("A1P.mp4", "10:00:00:00", is_lossy=True)
    other = head("A1Q.mp4", "12:00:00:00", is_lossy=True)
    units, proxies = group([big, small, other])
    assert proxies == {small.path: big.path}
    assert shapes(units) == [["A1.mov"], ["A1Q.mp4"]]
