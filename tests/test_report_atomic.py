"""Report files appear whole or not at all."""

import errno
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from dualmic.errors import ReportError
from dualmic.report import atomic
from dualmic.report.atomic import write_files


def test_files_are_written_in_order_into_a_new_folder(tmp_path: Path) -> None:
    written = write_files(tmp_path / "a" / "b", {"x.txt": b"one", "y.txt": b"two"})
    assert [path.name for path in written] == ["x.txt", "y.txt"]
    assert [path.read_bytes() for path in written] == [b"one", b"two"]
    assert len(list((tmp_path / "a" / "b").iterdir())) == 2


def test_who_reads_the_old_file_reads_it_to_its_end(tmp_path: Path) -> None:
    # rename(2) puts another file in its place; writing into it would change it under the reader.
    (path,) = write_files(tmp_path, {"x.txt": b"old"})
    with path.open("rb") as reader:
        write_files(tmp_path, {"x.txt": b"new"})
        assert reader.read() == b"old"
    assert path.read_bytes() == b"new"


@pytest.mark.parametrize("stop", [KeyboardInterrupt, SystemExit, OSError(errno.ENOSPC, "full")])
def test_an_interruption_leaves_the_old_files_and_nothing_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, stop
) -> None:
    write_files(tmp_path, {"x.txt": b"old", "y.txt": b"old"})
    flushed = []

    def flush(descriptor: int) -> None:
        flushed.append(descriptor)
        if len(flushed) == 2:
            raise stop

    monkeypatch.setattr(atomic.os, "fsync", flush)
    with pytest.raises((KeyboardInterrupt, SystemExit, ReportError)):
        write_files(tmp_path, {"x.txt": b"new", "y.txt": b"new"})
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == {
        "x.txt": b"old",
        "y.txt": b"old",
    }


def test_a_disk_that_fills_up_is_one_line_and_leaves_no_folder(tmp_path: Path) -> None:
    # A real limit of the operating system (setrlimit(2), RLIMIT_FSIZE): writes beyond it fail.
    program = """
import resource, signal, sys
from pathlib import Path
from dualmic.errors import ReportError
from dualmic.report.atomic import write_files
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))
try:
    write_files(Path(sys.argv[1]), {"small": b"1", "large": bytes(5000)})
except ReportError as error:
    print(error)
"""
    folder = tmp_path / "reports"
    done = subprocess.run(
        [sys.executable, "-c", program, str(folder)], capture_output=True, text=True, check=True
    )
    assert done.stdout.startswith(f"Cannot write the report to {folder}: ")
    assert done.stdout.count("\n") == 1
    assert not folder.exists()


def test_a_folder_that_cannot_be_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(ReportError, match="Choose a folder you can write to"):
        write_files(tmp_path / "file" / "reports", {"x": b""})


def test_what_a_killed_process_left_is_removed_after_an_hour(tmp_path: Path) -> None:
    old, fresh = tmp_path / ".dualmic-1.part", tmp_path / ".dualmic-2.part"
    for path in (old, fresh):
        path.write_bytes(b"half")
    os.utime(old, (time.time() - 3700,) * 2)
    write_files(tmp_path, {"x": b""})
    assert not old.exists()
    assert fresh.exists()


def test_a_recording_is_never_replaced(tmp_path: Path) -> None:
    recording = tmp_path / "take.marks.wav"
    recording.write_bytes(b"the only copy")
    with pytest.raises(ReportError, match="would replace the recording"):
        write_files(tmp_path, {"take.marks.wav": b"marks"}, protected=[recording])
    assert recording.read_bytes() == b"the only copy"
