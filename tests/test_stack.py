"""What a meter collects comes back whole, however long the take and wherever it was kept."""

import errno
import tempfile
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from dualmic import stack

# Pieces that do not fill the room evenly, the last one short, as at the end of a take.
LENGTHS = (10, 9, 10, 10, 9, 3)


def _parts() -> list[NDArray]:
    rng = np.random.default_rng(1)
    return [rng.normal(size=(2, n, 4)).astype(np.float16) for n in LENGTHS]


@pytest.mark.parametrize("held_s", [1, 3, 100])
def test_a_stack_gives_back_what_was_put_on_it(monkeypatch: pytest.MonkeyPatch, held_s) -> None:
    monkeypatch.setattr(stack, "HELD_PARTS", held_s)
    parts = _parts()
    kept = stack.Stack()
    for number, part in enumerate(parts, start=1):
        kept.add(part)
        joined = kept.joined((2, 0, 4))
        assert joined.dtype == np.float16
        np.testing.assert_array_equal(joined, np.concatenate(parts[:number], axis=1))


def test_an_empty_stack_has_the_shape_asked_for() -> None:
    assert stack.Stack().joined((2, 0, 7), np.uint16).shape == (2, 0, 7)


def test_what_was_let_go_is_read_again(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stack, "HELD_PARTS", 1)
    parts = _parts()
    kept = stack.Stack()
    for part in parts:
        kept.add(part)
    joined = kept.joined((2, 0, 4))
    before = joined.copy()
    stack.let_go()
    np.testing.assert_array_equal(joined, before)


def _resident_kb() -> int:
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmRSS"))


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="memory is read from /proc")
def test_a_long_take_is_not_held_in_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stack, "HELD_PARTS", 10)
    second = np.ones((2, 100_000), np.float64)  # 1.6 MB
    kept = stack.Stack()
    start_kb = _resident_kb()
    for _ in range(200):  # 320 MB
        kept.add(second)
    joined = kept.joined((2, 0))
    assert _resident_kb() - start_kb < 60_000
    assert joined[0].sum() == 200 * 100_000
    read_kb = _resident_kb()
    stack.let_go()
    assert read_kb - _resident_kb() > 200_000


@pytest.mark.parametrize("fails_from", [0, 2])
def test_without_room_on_the_disk_all_stays_in_memory(
    monkeypatch: pytest.MonkeyPatch, fails_from: int
) -> None:
    written = []
    write = stack._write

    def full_disk(file, rows) -> None:
        written.append(rows)
        if len(written) > fails_from:
            file.write(b"half of it")
            raise OSError(errno.ENOSPC, "No space left on device")
        write(file, rows)

    monkeypatch.setattr(stack, "HELD_PARTS", 1)
    monkeypatch.setattr(stack, "_write", full_disk)
    parts = _parts()
    kept = stack.Stack()
    for part in parts:
        kept.add(part)
    np.testing.assert_array_equal(kept.joined((2, 0, 4)), np.concatenate(parts, axis=1))


def test_no_folder_for_files_is_no_error(monkeypatch: pytest.MonkeyPatch) -> None:
    def nowhere(**_: object) -> None:
        raise FileNotFoundError(errno.ENOENT, "No usable temporary directory found")

    monkeypatch.setattr(stack, "HELD_PARTS", 1)
    monkeypatch.setattr(tempfile, "TemporaryFile", nowhere)
    parts = _parts()
    kept = stack.Stack()
    for part in parts:
        kept.add(part)
    np.testing.assert_array_equal(kept.joined((2, 0, 4)), np.concatenate(parts, axis=1))


def test_many_numbers_keep_their_values_whatever_is_let_go(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(stack, "HELD_BYTES", 1000)
    numbers = np.random.default_rng(2).normal(size=(2, 5000)).astype(np.float32)
    roomy = stack.room(numbers.shape, np.float32)
    assert not roomy.any()
    assert isinstance(roomy.base, np.ndarray)  # in a file
    roomy[...] = numbers
    again = stack.kept(numbers)
    stack.let_go()
    np.testing.assert_array_equal(roomy, numbers)
    np.testing.assert_array_equal(again, numbers)
    roomy[1, 7] = 3.0
    stack.let_go()
    assert roomy[1, 7] == 3.0
    few = numbers[:, :10]
    assert stack.kept(few) is few
    assert stack.room(0, np.bool_).shape == (0,)


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="memory is read from /proc")
def test_room_takes_no_memory_once_let_go() -> None:
    start_kb = _resident_kb()
    roomy = stack.room((2, 20_000_000), np.float32)  # 160 MB
    for first in range(0, roomy.shape[1], 1_000_000):
        roomy[:, first : first + 1_000_000] = first
        stack.let_go()
    assert _resident_kb() - start_kb < 40_000
    assert roomy[1, -1] == 19_000_000


def test_without_room_on_the_disk_numbers_stay_in_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    def full_disk(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(stack, "HELD_BYTES", 1000)
    monkeypatch.setattr(stack, "_write", full_disk)
    roomy = stack.room((3, 4000), np.uint16)
    roomy[2] = 5
    assert roomy.sum() == 20_000
