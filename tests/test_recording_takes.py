"""Takes of several files: side by side, or the parts that a camera split one take into."""

import threading
from pathlib import Path

import numpy as np
import pytest
import recording_files as files
from recording_files import as_float, noise, packed_24

from dualmic.errors import RecordingError, UsageError
from dualmic.joining import find_parts
from dualmic.recording import Ending, open_recording

SECOND = files.RATE_HZ
SAMPLES = noise(3 * SECOND)


def wav(path: Path, samples: np.ndarray, before: bytes = b"", rate_hz: int = SECOND) -> Path:
    form = files.wave_format(samples.shape[1], rate_hz=rate_hz)
    path.write_bytes(files.wave(packed_24(samples), form, before=before))
    return path


def read(paths: list[Path], joined: bool = False) -> tuple[np.ndarray, Ending]:
    with open_recording(paths, joined=joined) as recording:
        return np.concatenate(list(recording.blocks(10_007))), recording.ending()


def test_two_mono_files_are_the_channels_of_one_take(tmp_path: Path) -> None:
    paths = [wav(tmp_path / f"LAV-{n}.wav", SAMPLES[:, i : i + 1]) for i, n in enumerate("AB")]
    got, ending = read(paths)
    assert np.array_equal(got, as_float(SAMPLES))
    assert [file.start_s for file in ending.files] == [0, 0]
    with open_recording(paths) as recording:
        assert recording.info.name == "LAV"
        assert [(c.file, c.track) for c in recording.info.channels] == [(0, 1), (1, 1)]


def test_files_side_by_side_may_be_of_different_kinds(tmp_path: Path) -> None:
    first = wav(tmp_path / "a.wav", SAMPLES[:, :1])
    second = files.write_soundfile(tmp_path / "b.flac", SAMPLES[:, 1:], "PCM_24", "FLAC")
    third = files.write_av(tmp_path / "c.mov", [SAMPLES], picture="mpeg4")
    got, _ = read([first, second, third])
    assert np.array_equal(got, as_float(np.hstack([SAMPLES, SAMPLES])))


def test_the_shorter_file_is_filled_with_silence_and_named(tmp_path: Path) -> None:
    paths = [wav(tmp_path / "a.wav", SAMPLES[:, :1]), wav(tmp_path / "b.wav", SAMPLES[:SECOND, 1:])]
    got, ending = read(paths)
    assert np.array_equal(got[:, :1], as_float(SAMPLES[:, :1]))
    assert np.array_equal(got[:SECOND, 1:], as_float(SAMPLES[:SECOND, 1:]))
    assert not got[SECOND:, 1].any()
    assert [file.duration_s for file in ending.files] == [3, 1]
    assert ending.notes == (
        "b.wav is 2.00 s shorter than the other file: silence was added at its end.",
    )
    assert not ending.truncated


def test_files_of_one_take_need_one_sample_rate(tmp_path: Path) -> None:
    paths = [
        wav(tmp_path / "a.wav", SAMPLES),
        wav(tmp_path / "b.wav", SAMPLES, rate_hz=44_100),
    ]
    with pytest.raises(RecordingError, match=r"48000 Hz.*44100 Hz") as caught:
        open_recording(paths)
    assert "\n" not in str(caught.value)
    with pytest.raises(UsageError):
        open_recording([])


def parts_with_timecode(folder: Path, starts: list[int]) -> list[Path]:
    """Write a second of ``SAMPLES`` a part, starting at these seconds of the day."""
    return [
        wav(
            folder / f"B_{number:03d}.wav",
            SAMPLES[(number - 1) * SECOND :][:SECOND],
            files.bext(start * SECOND),
        )
        for number, start in enumerate(starts, start=1)
    ]


def test_joined_parts_are_one_take_in_one_time(tmp_path: Path) -> None:
    paths = parts_with_timecode(tmp_path, [36_000, 36_001, 36_002])
    got, ending = read(paths, joined=True)
    assert np.array_equal(got, as_float(SAMPLES))
    assert [(file.start_s, file.duration_s) for file in ending.files] == [(0, 1), (1, 1), (2, 1)]
    assert not any("timecode" in note and "starts" in note for note in ending.notes)
    with open_recording(paths, joined=True) as recording:
        assert recording.info.name == "B_001"
        assert recording.info.promised_frames == 3 * SECOND
        assert len(recording.info.channels) == 2


def test_a_missing_part_is_noticed_by_its_timecode(tmp_path: Path) -> None:
    first, _, third = parts_with_timecode(tmp_path, [36_000, 36_001, 36_002])
    _, ending = read([first, third], joined=True)
    assert any(
        "B_003.wav starts 1.00 s after the end of B_001.wav" in note for note in ending.notes
    )
    _, ending = read([third, first], joined=True)
    assert any("before the end" in note for note in ending.notes)


def test_parts_need_the_same_channels(tmp_path: Path) -> None:
    paths = [wav(tmp_path / "a.wav", SAMPLES), wav(tmp_path / "b.wav", SAMPLES[:, :1])]
    with pytest.raises(RecordingError, match="same channels"):
        open_recording(paths, joined=True)


@pytest.mark.parametrize("given", [0, 1, 2])
def test_parts_are_found_by_timecode_that_goes_on(given: int, tmp_path: Path) -> None:
    paths = parts_with_timecode(tmp_path, [36_000, 36_001, 36_002])
    found = find_parts(paths[given])
    assert (found.paths, found.sign) == (tuple(paths), "timecode")


def test_parts_are_found_over_midnight(tmp_path: Path) -> None:
    paths = parts_with_timecode(tmp_path, [86_399, 24 * 3600, 1])
    # The second starts at midnight exactly; a recorder's count starts again at 0 there.
    wav(paths[1], SAMPLES[:SECOND], files.bext(24 * 3600 * SECOND))
    assert find_parts(paths[0]).paths == tuple(paths)


def test_takes_of_one_series_are_not_parts(tmp_path: Path) -> None:
    paths = parts_with_timecode(tmp_path, [36_000, 36_060, 36_120])
    assert find_parts(paths[1]).paths == (paths[1],)
    assert find_parts(paths[1]).sign is None


def test_parts_are_found_by_recording_dates_that_go_on(tmp_path: Path) -> None:
    paths = []
    for number, time in enumerate(["10:00:00", "10:00:01", "10:05:00"]):
        path = tmp_path / f"C{number:04d}.mov"
        date = {"creation_time": f"2024-05-03T{time}Z"}
        files.write_av(path, [SAMPLES[:SECOND]], picture="mpeg4", metadata=date)
        paths.append(path)
    assert find_parts(paths[0]).paths == tuple(paths[:2])
    assert find_parts(paths[0]).sign == "date"


def test_parts_are_found_by_name_where_there_is_nothing_else(tmp_path: Path) -> None:
    parts = [wav(tmp_path / f"visit_{n}.wav", SAMPLES[:SECOND]) for n in (1, 2)]
    wav(tmp_path / "visit_4.wav", SAMPLES[:SECOND])
    assert find_parts(parts[0]).paths == tuple(parts)
    assert find_parts(parts[0]).sign == "name"
    # Cameras number clips so: no separator stands before the number.
    clips = [wav(tmp_path / f"C000{n}.wav", SAMPLES[:SECOND]) for n in (1, 2)]
    assert find_parts(clips[0]).paths == (clips[0],)


def test_reading_may_stop_early_and_leaves_no_thread(tmp_path: Path) -> None:
    path = wav(tmp_path / "a.wav", noise(20 * SECOND, bits=16))
    before = threading.active_count()
    with open_recording([path]) as recording:
        blocks = recording.blocks(1_000)
        next(blocks)
        blocks.close()  # type: ignore[attr-defined]
    assert threading.active_count() == before
