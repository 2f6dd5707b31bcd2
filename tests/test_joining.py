"""Takes that a camera split are found by timecode, date or name, and can be checked whole."""

from pathlib import Path

import numpy as np
import pytest
import recording_files as files
from recording_files import noise, packed_24
from speech_scene import RATE_HZ, make

from dualmic.cli import main
from dualmic.errors import RecordingError
from dualmic.joining import FULL_FILE_BYTES, Parts, find_parts, part_hint, takes_in, whole_take
from dualmic.record import read

SECOND = files.RATE_HZ
SOUND = noise(SECOND)


def part(path: Path, start_s: int | None, seconds: int = 1, time: str = "10:11:12") -> Path:
    """Write a second of sound that starts at that second of the day."""
    before = b"" if start_s is None else files.bext(start_s * SECOND, time=time)
    sound = packed_24(SOUND) * seconds
    path.write_bytes(files.wave(sound, files.wave_format(2), before=before))
    return path


def named(takes: list[Parts]) -> list[list[str]]:
    return sorted([path.name for path in take.paths] for take in takes)


def test_a_folder_is_sorted_into_its_takes(tmp_path: Path) -> None:
    for number, start_s in enumerate([100, 101, 102, 500, 501, 900], start=1):
        part(tmp_path / f"A_{number}.wav", start_s)
    (tmp_path / "notes.txt").write_text("A_7")
    (tmp_path / "A_8.wav").write_bytes(b"RIFF")
    assert named(takes_in(tmp_path)) == [
        ["A_1.wav", "A_2.wav", "A_3.wav"],
        ["A_4.wav", "A_5.wav"],
        ["A_6.wav"],
    ]


def test_timecode_joins_files_whose_names_do_not_count_on(tmp_path: Path) -> None:
    # Recorders that name files by something else than a number.
    part(tmp_path / "willow.wav", 100, time="10:00:00")
    part(tmp_path / "alder.wav", 101, time="10:00:01")
    part(tmp_path / "oak.wav", 300, time="10:03:20")
    assert named(takes_in(tmp_path)) == [["oak.wav"], ["willow.wav", "alder.wav"]]
    found = whole_take(tmp_path / "alder.wav")
    assert [path.name for path in found.paths] == ["willow.wav", "alder.wav"]
    assert found.sign == "timecode"


def test_names_join_where_files_say_nothing_else(tmp_path: Path) -> None:
    for name in ("visit_1", "visit_2", "visit_4", "gate"):
        part(tmp_path / f"{name}.wav", None)
    assert named(takes_in(tmp_path)) == [
        ["gate.wav"],
        ["visit_1.wav", "visit_2.wav"],
        ["visit_4.wav"],
    ]


def test_a_timecode_that_does_not_go_on_outweighs_the_name(tmp_path: Path) -> None:
    part(tmp_path / "A_1.wav", 100)
    part(tmp_path / "A_2.wav", 200)
    assert len(takes_in(tmp_path)) == 2


def test_files_of_another_kind_are_not_parts(tmp_path: Path) -> None:
    part(tmp_path / "A_1.wav", 100)
    part(tmp_path / "A_2.wave", 101)
    assert len(takes_in(tmp_path)) == 2


def test_a_folder_of_one_take_stands_for_it(tmp_path: Path) -> None:
    parts = [part(tmp_path / f"A_{n}.wav", 99 + n) for n in (1, 2)]
    assert whole_take(tmp_path).paths == tuple(parts)


def test_a_folder_of_several_takes_or_none_is_refused_with_what_it_holds(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="no recording that can be opened"):
        whole_take(tmp_path)
    for number, start_s in enumerate([100, 101, 500, 600, 700, 800], start=1):
        part(tmp_path / f"A_{number}.wav", start_s)
    with pytest.raises(RecordingError) as caught:
        whole_take(tmp_path)
    text = str(caught.value)
    assert "holds 5 takes (A_1.wav in 2 parts, A_3.wav, A_4.wav, A_5.wav and 1 more)" in text
    assert "\n" not in text


def test_a_part_is_told_from_a_take_of_its_own(tmp_path: Path) -> None:
    parts = [part(tmp_path / f"A_{n}.wav", 99 + n) for n in (1, 2, 3)]
    hint = part_hint(parts[0])
    assert hint is not None
    assert hint.startswith("A_1.wav looks like part 1 of 3 of one take (timecode runs on")
    assert hint.endswith(f"dualmic check {parts[0]} --joined")
    assert "part 3 of 3" in str(part_hint(parts[2]))
    assert part_hint(part(tmp_path / "B_1.wav", 5_000)) is None
    assert part_hint(tmp_path / "nothing.wav") is None


def test_a_name_alone_is_believed_of_a_full_file_only(tmp_path: Path) -> None:
    first, second = (part(tmp_path / f"visit_{n}.wav", None) for n in (1, 2))
    assert find_parts(first).sign == "name"
    assert part_hint(first) is None
    size = FULL_FILE_BYTES // 6 * 6  # a hole on the disk
    with first.open("wb") as file:
        file.write(files.wave(b"", files.wave_format(2), length=size))
        file.truncate(44 + size)
    hint = part_hint(first)
    assert hint is not None
    assert f"its name counts on with {second.name}" in hint


@pytest.fixture
def split(tmp_path: Path) -> list[Path]:
    """One take of two people in three parts, at 10:00:00 and on."""
    sound = np.clip(make(rounds=2).samples, -1, 1)
    data = (sound * (2**23 - 1)).astype(np.int32) << 8
    folder = tmp_path / "card"
    folder.mkdir()
    paths, length = [], len(data) // 3 // RATE_HZ * RATE_HZ
    for number in range(3):
        end = None if number == 2 else (number + 1) * length
        piece = data[number * length : end]
        before = files.bext(36_000 * RATE_HZ + number * length)
        path = folder / f"A001_{number + 1:03d}.wav"
        path.write_bytes(files.wave(packed_24(piece), files.wave_format(2), before=before))
        paths.append(path)
    return paths


def run(*arguments: str) -> int:
    with pytest.raises(SystemExit) as ended:
        main(["check", *arguments], standalone_mode=False)
    return int(ended.value.code or 0)


def test_the_command_says_that_a_file_is_a_part(
    split: list[Path], capfd: pytest.CaptureFixture[str]
) -> None:
    run(str(split[0]))
    told = capfd.readouterr().err.strip().splitlines()
    assert [line for line in told if "looks like part 1 of 3" in line]


@pytest.mark.parametrize("given", ["folder", "first", "last", "all"])
def test_a_split_take_is_one_take_in_one_time(
    given: str, split: list[Path], tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    asked = {"folder": split[0].parent, "first": split[0], "last": split[2]}
    paths = [str(asked[given])] if given != "all" else [str(path) for path in split]
    out = tmp_path / "a.json"
    assert run(*paths, "--joined", "--json", str(out)) == 0
    record = read(out)
    # Truth: the parts together are the scene, its utterances where they were placed.
    scene = make(rounds=2)
    assert record.take.duration_s == pytest.approx(len(scene.samples) / RATE_HZ, abs=0.001)
    assert [Path(file.path).name for file in record.take.files] == [path.name for path in split]
    assert len(record.turns) == len(scene.spoken)
    assert record.turns[-1].end_s == pytest.approx(scene.spoken[-1][2], abs=0.3)
    assert record.take.timecode is not None
    assert record.take.timecode.start == "10:00:00:00"
    assert not any(p.kind in ("dropout", "click", "truncated") for p in record.problems)
    if given != "all":
        assert "One take of 3 parts: A001_001.wav, A001_002" in capfd.readouterr().err


@pytest.mark.parametrize("asked", ["--joined", "--newest"])
@pytest.mark.parametrize("writes", ["--report", "--json"])
def test_nothing_is_written_into_the_folder_that_is_checked(
    asked: str, writes: str, split: list[Path], capfd: pytest.CaptureFixture[str]
) -> None:
    card = split[0].parent
    before = sorted(card.iterdir())
    inside = card / "reports" if writes == "--report" else card / "a.json"
    assert run(str(card), asked, writes, str(inside)) == 2
    assert "being checked" in capfd.readouterr().err
    assert sorted(card.iterdir()) == before
