"""What is killed, full, gone or cut short takes only itself with it; the next start goes on."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import pytest
from day_runs import (
    OPTIONS,
    linux,
    long_take,
    rows,
    run,
    sound,
    two_takes_in,
    until,
    workers_of,
    write,
)

from dualmic import day as day_module
from dualmic.errors import ReportError
from dualmic.overnight import checking, running, worker
from dualmic.overnight.jobs import Job
from dualmic.overnight.pace import Progress
from dualmic.overnight.state import DayState


@pytest.fixture
def two_takes(tmp_path: Path) -> Path:
    return two_takes_in(tmp_path / "card")


class Kill:
    """Kills this process's workers as soon as a take is being measured; as often as asked."""

    def __init__(self, times: int) -> None:
        self.left = times

    def __call__(self, progress: Progress) -> None:
        if progress.current and self.left:
            self.left -= 1
            for pid in workers_of(os.getpid()):
                os.kill(pid, signal.SIGKILL)


@linux
def test_a_killed_worker_takes_only_its_own_take_with_it(tmp_path: Path) -> None:
    folder, out = long_take(tmp_path / "card" / "C1.wav").parent, tmp_path / "out"
    write(folder / "C2.wav", sound()[:-200])
    status, said = run(folder, out, jobs=1, show=Kill(1))
    found = rows(out)
    assert status == 1
    assert found["C1.wav"].reason and "signal 9" in found["C1.wav"].reason
    assert "tried once more" in found["C1.wav"].reason
    assert found["C2.wav"].status == "done"
    # Once may be the machine: it is tried again, and nothing else is.
    status, said = run(folder, out, jobs=1)
    assert [line.split(":")[0] for line in said[:-1]] == ["C1.wav"]
    assert {row.status for row in rows(out).values()} == {"done"}


@linux
def test_a_take_that_is_lost_twice_is_not_tried_a_third_time(tmp_path: Path) -> None:
    path, out = long_take(tmp_path / "card" / "C1.wav"), tmp_path / "out"
    for _ in range(2):
        run(path.parent, out, jobs=1, show=Kill(1))
    untouched = Kill(1)
    status, _ = run(path.parent, out, jobs=1, show=untouched)
    assert (status, untouched.left) == (1, 1)
    assert "twice" in (rows(out)["C1.wav"].reason or "")
    path.write_bytes(path.read_bytes()[:-400])
    run(path.parent, out, jobs=1)
    assert rows(out)["C1.wav"].status == "done"


def job_for(path: Path, out: Path, limit_s: float) -> Job:
    (out / ".day").mkdir(parents=True, exist_ok=True)
    return Job(
        "check", "key", path.name, [str(path)], OPTIONS, str(out), "takes/x", "m", "d", limit_s
    )


def test_a_take_over_its_time_limit_is_given_up(two_takes: Path, tmp_path: Path) -> None:
    with running.executor(1, None) as pool:
        late = pool.submit(running.isolated, job_for(two_takes / "C1.wav", tmp_path / "o", 0.05))
        answer = late.result()
        next_one = pool.submit(running.isolated, job_for(two_takes / "C2.wav", tmp_path / "o", 300))
        assert answer.error and "longer than" in answer.error
        assert next_one.result().row


def test_a_file_that_goes_away_is_listed(tmp_path: Path) -> None:
    gone = worker.do(job_for(tmp_path / "gone.wav", tmp_path / "o", 60))
    assert gone.error and "gone.wav" in gone.error
    assert gone.passing


def test_a_file_cut_short_while_it_is_read_is_listed_and_the_rest_goes_on(tmp_path: Path) -> None:
    path, out = long_take(tmp_path / "card" / "C1.wav"), tmp_path / "out"
    write(path.parent / "C2.wav", sound())

    def cut(progress: Progress) -> None:
        if progress.current and progress.done == 0:
            os.truncate(path, path.stat().st_size // 2)

    run(path.parent, out, jobs=1, show=cut)
    found = rows(out)
    assert found["C1.wav"].reason and "changed while" in found["C1.wav"].reason
    assert found["C2.wav"].status == "done"
    # What is left of it is another file, and measured as far as it goes.
    run(path.parent, out, jobs=1)
    assert "truncated both" in rows(out)["C1.wav"].kinds


def test_a_report_folder_that_goes_away_is_not_made_anew(tmp_path: Path) -> None:
    path, out = long_take(tmp_path / "card" / "C1.wav"), tmp_path / "disk" / "out"
    write(path.parent / "C2.wav", sound())
    away = tmp_path / "away"

    def unplug(progress: Progress) -> None:
        if progress.current and not away.exists():
            (tmp_path / "disk").rename(away)

    with pytest.raises(ReportError, match="not there any more"):
        run(path.parent, out, jobs=1, show=unplug)
    assert not (tmp_path / "disk").exists()
    away.rename(tmp_path / "disk")
    run(path.parent, out, jobs=1)
    assert {row.status for row in rows(out).values()} == {"done"}


@pytest.mark.parametrize(("module", "name"), [(checking, "_write"), (day_module, "write_day")])
def test_a_report_folder_that_goes_away_while_it_is_written_leaves_nothing_behind(
    two_takes: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    module: ModuleType,
    name: str,
) -> None:
    out = tmp_path / "disk" / "out"
    write_there = getattr(module, name)

    def unplug(*given: object, **more: object) -> object:
        (tmp_path / "disk").rename(tmp_path / "away")
        return write_there(*given, **more)

    monkeypatch.setattr(module, name, unplug)
    if module is checking:
        answer = worker.do(job_for(two_takes / "C1.wav", out, 300))
        assert answer.cannot_write
        assert "not there any more" in (answer.error or "")
    else:
        with pytest.raises(ReportError, match="not there any more"):
            run(two_takes, out)
    assert not list((tmp_path / "disk").rglob("*.*"))


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 600 kB of our own; needs the right to mount one."""
    if not hasattr(os, "geteuid") or os.geteuid() != 0:
        pytest.skip("mounting needs root")
    folder = tmp_path / "disk"
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=600k", "tmpfs", str(folder)]
    if subprocess.run(mount, capture_output=True).returncode:
        pytest.skip("mounting a small disk is not allowed here")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


def remount(disk: Path, option: str) -> None:
    subprocess.run(["mount", "-o", f"remount,{option}", str(disk)], check=True)


def test_a_full_disk_stops_the_run_and_the_next_goes_on(two_takes: Path, disk: Path) -> None:
    with pytest.raises(ReportError, match="No space left"):
        run(two_takes, disk / "out", jobs=1)
    remount(disk, "size=64m")
    run(two_takes, disk / "out", jobs=1)
    assert {row.status for row in rows(disk / "out").values()} == {"done"}


def test_a_card_that_is_read_only_is_checked(disk: Path, tmp_path: Path) -> None:
    remount(disk, "size=64m")
    write(disk / "card" / "C1.wav", sound())
    remount(disk, "ro")
    run(disk / "card", tmp_path / "out", jobs=1)
    assert rows(tmp_path / "out")["C1.wav"].status == "done"


def test_a_report_folder_that_is_read_only_is_named(two_takes: Path, disk: Path) -> None:
    remount(disk, "ro")
    with pytest.raises(ReportError, match=r"Cannot write to .*Read-only"):
        run(two_takes, disk / "out", jobs=1)


SCRIPT = """
import sys
from pathlib import Path
from dualmic.day import run_day
from dualmic.take import CheckOptions
sys.exit(run_day(Path(sys.argv[1]), Path(sys.argv[2]), jobs=int(sys.argv[3]),
         options=CheckOptions(specs=("podcast",)), say=lambda text: print(text, flush=True)))
"""


def start(folder: Path, out: Path, jobs: int = 1) -> "subprocess.Popen[str]":
    command = [sys.executable, "-c", SCRIPT, str(folder), str(out), str(jobs)]

    def listen() -> None:  # a shell lets what it starts in the background ignore Ctrl-C
        signal.signal(signal.SIGINT, signal.SIG_DFL)

    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True, preexec_fn=listen)


@linux
def test_a_killed_run_is_taken_up_where_it_was(two_takes: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    with start(two_takes, out) as process:
        assert process.stdout
        assert process.stdout.readline().startswith("C1.wav")
        orphans = workers_of(process.pid)
        process.kill()
    assert orphans
    until(lambda: [1] if not any(Path(f"/proc/{pid}").exists() for pid in orphans) else [])
    _, said = run(two_takes, out, jobs=1)
    assert [line.split(":")[0] for line in said[:-1]] == ["C2.wav"]


@linux
def test_a_run_killed_at_any_moment_ends_as_if_it_had_not_been(
    two_takes: Path, tmp_path: Path
) -> None:
    for name in ("C3.mov", "C4.wav"):
        (two_takes / name).write_bytes(b"\0\0\0\x20ftypqt  " + name.encode() + bytes(2000))
    run(two_takes, tmp_path / "whole", jobs=1)
    out = tmp_path / "out"
    for seconds in (0.5, 1.2, 2.0, 2.8, 3.6):
        with start(two_takes, out) as process:
            time.sleep(seconds)  # whatever it is doing by then: no assertion depends on it
            process.kill()
        until(lambda: [] if still_locked(out) else [1])
    run(two_takes, out, jobs=1)
    assert rows(out) == rows(tmp_path / "whole")

    def reports(folder: Path) -> set[str]:
        found = folder.glob("takes/*/[!.]*")
        return {path.relative_to(folder).as_posix() for path in found if path.stat().st_size}

    assert reports(out) == reports(tmp_path / "whole")


def still_locked(out: Path) -> bool:
    try:
        with DayState(out).locked():
            return False
    except ReportError:
        return True


@linux
def test_ctrl_c_keeps_what_is_finished_and_ends_every_process(tmp_path: Path) -> None:
    folder, out = long_take(tmp_path / "card" / "C1.wav").parent, tmp_path / "out"
    write(folder / "C2.wav", sound())
    # The short take is done when the long one is stopped.
    with start(folder, out, jobs=2) as process:
        assert process.stdout
        assert process.stdout.readline().startswith("C2.wav")
        started = workers_of(process.pid)
        process.send_signal(signal.SIGINT)
        text, _ = process.communicate(timeout=60)
    assert process.returncode == 2
    assert "Stopped" in text
    assert started
    assert not any(Path(f"/proc/{pid}").exists() for pid in started)
    _, said = run(folder, out, jobs=1)
    assert [line.split(":")[0] for line in said[:-1]] == ["C1.wav"]
