"""A day's folder goes in and one page comes out, whatever happens in between."""

import contextlib
import errno
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import msgspec
import numpy as np
import pytest
import soundfile as sf
from speech_scene import make

from dualmic.day import run_day
from dualmic.errors import ReportError, UsageError
from dualmic.overnight import running, worker
from dualmic.overnight.jobs import Job
from dualmic.overnight.pace import Progress
from dualmic.overnight.state import Row
from dualmic.settings import Marks, RoleRule, Settings
from dualmic.take import CheckOptions

RATE_HZ = 8000
OPTIONS = CheckOptions(specs=("podcast",))


def sound(gain: float = 1.0) -> np.ndarray:
    return make(2).samples[::6] * gain


def write(path: Path, samples: np.ndarray) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    sf.write(path, samples, RATE_HZ, subtype="PCM_16")
    return path


def run(folder: Path, out: Path, **more: object) -> tuple[int, list[str]]:
    said: list[str] = []
    more = {"options": OPTIONS, "jobs": 2} | more
    return run_day(folder, out, say=said.append, **more), said  # type: ignore[arg-type]


def rows(out: Path) -> dict[str, Row]:
    found = msgspec.json.decode((out / "day.json").read_bytes())["takes"]
    return {row["name"]: msgspec.convert(row, Row) for row in found}


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """One take, its backup, a bad backup of another, and a file that is no recording."""
    base = tmp_path_factory.mktemp("day")
    folder, out = base / "cards", base / "reports"
    write(folder / "A" / "C1.wav", sound())
    (folder / "B").mkdir()
    shutil.copy(folder / "A" / "C1.wav", folder / "B" / "C1.wav")
    write(folder / "A" / "C2.wav", sound(0.5)[:-100])
    bad = sound(0.5)[:-100]
    bad[4000] += 0.1
    write(folder / "B" / "C2.wav", bad)
    (folder / "B" / "C3.mov").write_bytes(b"\0\0\0\x20ftypqt  " + bytes(2000))
    run(folder, out)
    return folder, out


@pytest.fixture
def day(finished: tuple[Path, Path], tmp_path: Path) -> tuple[Path, Path]:
    folder, out = finished
    shutil.copytree(out, tmp_path / "reports")
    return folder, tmp_path / "reports"


def test_every_file_is_accounted_for(finished: tuple[Path, Path]) -> None:
    found = rows(finished[1])
    assert {name: row.status for name, row in found.items()} == {
        "A/C1.wav": "done",
        "B/C1.wav": "copy",
        "A/C2.wav": "done",
        "B/C2.wav": "done",
        "B/C3.mov": "failed",
    }
    assert found["B/C1.wav"].copy_of == "A/C1.wav"
    assert found["B/C3.mov"].reason


def test_a_backup_with_other_sound_is_a_finding(finished: tuple[Path, Path]) -> None:
    found = rows(finished[1])
    assert "bad copy" in found["A/C2.wav"].notes[0]
    assert "bad copy" in found["B/C2.wav"].notes[0]
    assert not found["A/C1.wav"].notes


def test_the_page_links_to_reports_that_are_there(finished: tuple[Path, Path]) -> None:
    _, out = finished
    page = (out / "index.html").read_text("utf-8")
    for row in rows(out).values():
        assert row.name in page
        if row.page:
            assert (out / row.page).is_file()
            assert f'href="{row.page}"' in page
    assert (out / "day.pdf").read_bytes().startswith(b"%PDF")
    assert "B/C3.mov" in (out / "day.csv").read_text("utf-8-sig")


def test_what_most_needs_somebody_comes_first(finished: tuple[Path, Path]) -> None:
    assert next(iter(rows(finished[1]))) == "B/C3.mov"
    assert list(rows(finished[1]))[-1] == "B/C1.wav"


def test_a_finished_day_is_not_done_again(day: tuple[Path, Path]) -> None:
    folder, out = day
    before = {path: path.stat().st_mtime_ns for path in out.glob("takes/*/*")}
    _, said = run(folder, out)
    assert [line.split(":")[0] for line in said[:-1]] == ["B/C3.mov"]
    assert {path: path.stat().st_mtime_ns for path in out.glob("takes/*/*")} == before


def test_a_damaged_report_is_made_again_and_no_other(day: tuple[Path, Path]) -> None:
    folder, out = day
    page = out / (rows(out)["A/C1.wav"].page or "")
    page.write_bytes(page.read_bytes()[:100])
    (out / ".day" / "checksums.index").write_bytes(b'{"half')
    _, said = run(folder, out)
    assert [line.split(":")[0] for line in said[:-1]] == ["B/C3.mov", "A/C1.wav"]
    assert page.stat().st_size > 1000


def test_a_rule_for_one_file_redoes_that_file_only(day: tuple[Path, Path]) -> None:
    folder, out = day
    rule = RoleRule(files="C1*", interviewer=2, subject=1)
    options = replace(OPTIONS, settings=Settings(roles=[rule]))
    _, said = run(folder, out, options=options)
    assert [line.split(":")[0] for line in said[:-1]] == ["B/C3.mov", "A/C1.wav"]


def test_new_marks_are_drawn_without_listening_again(day: tuple[Path, Path]) -> None:
    folder, out = day
    old = rows(out)["A/C1.wav"]
    name = (out / (old.page or "")).with_suffix(".json")
    # A value that no measurement gives shows whether the take was measured again.
    name.write_text(name.read_text().replace('"duration_s": ', '"duration_s": 7', 1))
    known = out / ".day" / f"{old.key}.json"
    state = msgspec.json.decode(known.read_bytes())
    state["written"][name.relative_to(out).as_posix()] = name.stat().st_size
    known.write_bytes(msgspec.json.encode(state))
    run(folder, out, options=replace(OPTIONS, settings=Settings(marks=Marks(project="Locks"))))
    assert "Locks" in (out / (old.page or "")).read_text("utf-8")
    assert '"duration_s": 7' in name.read_text()


def test_a_new_time_with_the_same_sound_is_no_new_take(day: tuple[Path, Path]) -> None:
    folder, out = day
    page = out / (rows(out)["A/C1.wav"].page or "")
    before = page.stat().st_mtime_ns
    os.utime(folder / "A" / "C1.wav", (1_700_000_000, 1_700_000_000))
    run(folder, out)
    assert page.stat().st_mtime_ns == before


def test_two_runs_do_not_write_to_one_folder(day: tuple[Path, Path]) -> None:
    from dualmic.overnight.state import DayState

    with DayState(day[1]).locked(), pytest.raises(ReportError, match="Another run"):
        run(*day)


def test_reports_never_go_into_the_folder_that_is_checked(day: tuple[Path, Path]) -> None:
    with pytest.raises(ReportError, match="lies inside"):
        run(day[0], day[0] / "reports")


def test_a_folder_that_cannot_be_written_is_named(day: tuple[Path, Path], tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(ReportError, match="Cannot write"):
        run(day[0], tmp_path / "file" / "reports")


def workers_of(pid: int) -> list[int]:
    """Return the worker processes that a process has started, from /proc."""
    found = []
    for entry in Path("/proc").glob("[0-9]*"):
        try:
            parent = int((entry / "stat").read_text().rsplit(")", 1)[1].split()[1])
            if parent == pid and b"dualmic.overnight.worker" in (entry / "cmdline").read_bytes():
                found.append(int(entry.name))
        except (OSError, IndexError):
            continue
    return found


def measures(pid: int, name: str) -> bool:
    """Say whether a worker process that this process has started holds a file open."""
    for worker in workers_of(pid):
        for link in Path(f"/proc/{worker}/fd").iterdir():
            with contextlib.suppress(OSError):
                if link.readlink().name == name:
                    return True
    return False


def until(found: Callable[[], list[int]]) -> list[int]:
    for _ in range(2000):
        if result := found():
            return result
        time.sleep(0.01)
    raise AssertionError("it never happened")


@pytest.fixture
def two_takes(tmp_path: Path) -> Path:
    for k in (1, 2):
        write(tmp_path / "card" / f"C{k}.wav", sound()[: -100 * k])
    return tmp_path / "card"


def long_take(path: Path) -> Path:
    """Write a take that is measured for some seconds, so that something can happen meanwhile."""
    return write(path, np.tile(sound(), (20, 1)))


linux = pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="finds processes in /proc")


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


def test_a_file_that_goes_away_or_shrinks_is_listed(two_takes: Path, tmp_path: Path) -> None:
    gone = worker.do(job_for(tmp_path / "gone.wav", tmp_path / "o", 60))
    assert gone.error and "gone.wav" in gone.error
    path = two_takes / "C1.wav"

    def shrink(done_s: float) -> None:
        os.truncate(path, path.stat().st_size // 2)

    shrunk = worker.do(job_for(path, tmp_path / "o", 60), shrink)
    assert shrunk.error and "changed" in shrunk.error


SCRIPT = """
import sys
from pathlib import Path
from dualmic.day import run_day
from dualmic.take import CheckOptions
sys.exit(run_day(Path(sys.argv[1]), Path(sys.argv[2]), jobs=1,
         options=CheckOptions(specs=("podcast",)), say=lambda text: print(text, flush=True)))
"""


def start(folder: Path, out: Path) -> "subprocess.Popen[str]":
    command = [sys.executable, "-c", SCRIPT, str(folder), str(out)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True)


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
def test_ctrl_c_ends_the_run_and_its_workers(two_takes: Path, tmp_path: Path) -> None:
    with start(two_takes, tmp_path / "out") as process:
        started = until(lambda: workers_of(process.pid))
        process.send_signal(signal.SIGINT)
        text, _ = process.communicate()
    assert process.returncode == 2
    assert "Stopped" in text
    assert not any(Path(f"/proc/{pid}").exists() for pid in started)


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="mounting needs root")
def test_a_full_disk_stops_the_run_and_the_next_goes_on(two_takes: Path, tmp_path: Path) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=600k", "tmpfs", str(disk)]
    if subprocess.run(mount, capture_output=True).returncode:
        pytest.skip("mounting a small disk is not allowed here")
    try:
        with pytest.raises(ReportError, match="No space left"):
            run(two_takes, disk / "out", jobs=1)
        subprocess.run(["mount", "-o", "remount,size=64m", str(disk)], check=True)
        run(two_takes, disk / "out", jobs=1)
        assert {row.status for row in rows(disk / "out").values()} == {"done"}
    finally:
        subprocess.run(["umount", "-l", str(disk)], check=True)


def test_no_space_for_the_page_is_one_clear_line(
    day: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(descriptor: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    # A page that is whole and up to date is not written again, so it has to be missing.
    (day[1] / "index.html").unlink()
    table = (day[1] / "day.csv").read_bytes()
    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(ReportError, match="No space left"):
        run(*day)
    assert not (day[1] / "index.html").exists()
    assert (day[1] / "day.csv").read_bytes() == table


def test_watching_takes_a_file_that_arrives_later(two_takes: Path, tmp_path: Path) -> None:
    late = tmp_path / "late.wav"
    (two_takes / "C2.wav").rename(late)
    said: list[str] = []

    def say(text: str) -> None:
        said.append(text)
        if text.startswith("C1.wav"):
            late.rename(two_takes / "C2.wav")
        if text.startswith("C2.wav"):
            raise KeyboardInterrupt

    assert run_day(two_takes, tmp_path / "out", jobs=1, watch=True, options=OPTIONS, say=say) == 0
    assert [text.split(":")[0] for text in said[:2]] == ["C1.wav", "C2.wav"]


@linux
def test_a_cluster_that_loses_a_worker_gives_the_same_results(
    two_takes: Path, tmp_path: Path
) -> None:
    distributed = pytest.importorskip("distributed", reason="the cluster extra is not installed")
    long_take(two_takes / "C3.wav")
    run(two_takes, tmp_path / "here", jobs=2)
    said: list[str] = []
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    ) as cluster:
        before = {worker.pid for worker in cluster.workers.values()}

        def say(text: str) -> None:
            said.append(text)
            if len(said) == 1:  # a take is done; kill who measures the long one
                [victim] = [pid for pid in before if measures(pid, "C3.wav")]
                os.kill(victim, signal.SIGKILL)

        address = cluster.scheduler_address
        run_day(two_takes, tmp_path / "there", scheduler=address, options=OPTIONS, say=say)
    # It was begun again on another worker, so it came last.
    assert said[-2].startswith("C3.wav")
    here, there = rows(tmp_path / "here"), rows(tmp_path / "there")
    assert here == there
    run(two_takes, tmp_path / "there", jobs=1)
    assert rows(tmp_path / "there") == there


def test_a_cluster_that_is_not_there_is_named(
    two_takes: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("distributed", reason="the cluster extra is not installed")
    monkeypatch.setattr(running, "_ANSWER_WITHIN_S", 1)
    with pytest.raises(UsageError, match="No Dask scheduler"):
        run(two_takes, tmp_path / "out", scheduler="tcp://127.0.0.1:1")
