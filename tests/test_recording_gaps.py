"""Tracks that start late, end early or have holes keep their place; silence fills them up."""

import tracemalloc
from pathlib import Path

import numpy as np
import pytest
import recording_files as files
from recording_files import as_float, noise, read

from dualmic.readers.tracks import TrackQueue
from dualmic.recording import open_recording

FRAMES = 24_007
SAMPLES = noise(FRAMES)
MONOS = [SAMPLES[:, :1], SAMPLES[:, 1:]]

GAPPED = [("a.mkv", "pcm_s24le", 0.0), ("a.mkv", "flac", 0.1), ("a.mp4", "aac", 0.03)]


@pytest.mark.parametrize(("name", "coding", "slack_s"), GAPPED)
def test_a_gap_in_the_timestamps_is_filled_with_silence(
    name: str, coding: str, slack_s: float, tmp_path: Path
) -> None:
    # Coded sound's packets do not end where the gap begins: it shows up to a packet later.
    path = files.write_av(tmp_path / name, [SAMPLES], coding, gap=(9_600, 0.5))
    got, ending = read(path)
    (gap,) = ending.gaps
    assert gap.channels == (1, 2)
    assert gap.start_s == pytest.approx(0.2, abs=slack_s + 0.001)
    assert gap.duration_s == pytest.approx(0.5, abs=0.001)
    start, end = round(gap.start_s * files.RATE_HZ), round(gap.start_s * files.RATE_HZ + 24_000)
    assert not got[start:end].any()
    assert got[start - 1].any()
    if coding != "aac":
        assert np.array_equal(np.delete(got, slice(start, end), axis=0), as_float(SAMPLES))


def test_a_track_that_starts_late_keeps_its_place(tmp_path: Path) -> None:
    path = files.write_av(tmp_path / "a.mov", MONOS, picture="mpeg4", starts_s=[0.0, 0.25])
    got, ending = read(path)
    assert np.array_equal(got[:FRAMES, :1], as_float(MONOS[0]))
    assert not got[:12_000, 1].any()
    assert np.array_equal(got[12_000:, 1:], as_float(MONOS[1]))
    assert ending.gaps == ()
    assert any("Track 2 starts 0.25 s after the first track" in note for note in ending.notes)


def test_what_an_edit_cuts_off_the_start_is_left_out(tmp_path: Path) -> None:
    # Sound before time zero is in the file; its edit list says not to play it.
    path = files.write_av(
        tmp_path / "a.mov",
        MONOS,
        picture="mpeg4",
        starts_s=[-0.1, -0.1],
        options={"avoid_negative_ts": "disabled"},
    )
    got, ending = read(path)
    assert np.array_equal(got, as_float(SAMPLES[4_800:]))
    assert not ending.truncated
    assert ending.gaps == ()


def test_samples_that_come_too_late_are_left_out() -> None:
    queue = TrackQueue(1, np.dtype(np.int32), rate_hz=1_000, next_s=0.0)
    out = np.empty((300, 1), np.int32)
    queue.push(np.full((100, 1), 1, np.int32), 0.0)
    queue.take(out)  # 200 frames of silence are given out: the others are far ahead
    queue.push(np.full((400, 1), 2, np.int32), 0.1)  # of these, 200 come too late
    queue.take(out[:200])
    assert out[:, 0].tolist() == [2] * 200 + [0] * 100
    assert [(hole.start, hole.frames) for hole in queue.holes] == [(100, 200)]
    assert queue.end == 500


@pytest.mark.parametrize("name", ["a.mov", "a.mkv"])
def test_a_track_that_ends_early_is_filled_and_named(name: str, tmp_path: Path) -> None:
    path = files.write_av(tmp_path / name, [MONOS[0], MONOS[1][:9_600]], picture="mpeg4")
    got, ending = read(path)
    assert np.array_equal(got[:, :1], as_float(MONOS[0]))
    assert np.array_equal(got[:9_600, 1:], as_float(MONOS[1][:9_600]))
    assert not got[9_600:, 1].any()
    assert not ending.truncated
    assert ending.gaps == ()
    assert "Track 2 ends 0.30 s before" in ending.notes[0]


def test_a_track_far_behind_the_others_costs_no_memory(tmp_path: Path) -> None:
    # The second track has ended after a second; the first goes on for two minutes.
    seconds = 120
    long = noise(seconds * files.RATE_HZ, 1, bits=16)
    tracks = [long, long[: files.RATE_HZ]]
    path = files.write_av(tmp_path / "a.mkv", tracks, "pcm_s16le", picture="mpeg4")
    tracemalloc.start()
    try:
        with open_recording([path]) as recording:
            for number, block in enumerate(recording.blocks(48_000)):
                first = as_float(long[number * 48_000 :][: len(block)])
                assert np.array_equal(block[:, :1], first)
        peak_bytes = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak_bytes < long.size * 2 / 2  # half of the track's own bytes
    assert f"Track 2 ends {seconds - 1}.00 s before" in recording.ending().notes[0]
