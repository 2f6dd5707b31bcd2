"""How long a day takes: ``python tests/bench/bench_day.py [TAKES] [SECONDS]``.

Prints figures for the start in a tree of 20,000 files, the page and the resume of finished days of
200 and 2,000 takes, a tenth of TAKES short ones on one processor and on two, all of them and one of
SECONDS, the memory of the process that leads, how good its time left was at half way, and how soon
Ctrl-C ends it.

Other work on the machine takes processor time from it. So beside the time by the clock stands the
processor time of all processes, and what part of the processors asked for they were given.
"""

import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import msgspec
import numpy as np
import soundfile as sf

from dualmic.day import run_day
from dualmic.overnight import state
from dualmic.overnight.finding import files_in
from dualmic.overnight.state import DayState
from dualmic.report.day_page import write_day
from dualmic.take import CheckOptions, load_specs

RATE_HZ = 8000
OPTIONS = CheckOptions(specs=("podcast",))

LEAD = """
import json, os, resource, sys, time
from pathlib import Path
folder, out, cores = Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3])
os.sched_setaffinity(0, sorted(os.sched_getaffinity(0))[:cores])
from dualmic.day import run_day
from dualmic.take import CheckOptions
began = time.perf_counter()
promised, last = None, None
def show(progress):
    global promised, last
    if promised is None and progress.done_s >= progress.whole_s / 2 and progress.left_s is not None:
        promised = progress.left_s, time.perf_counter()
    last = time.perf_counter()
status = run_day(folder, out, options=CheckOptions(specs=("podcast",)), say=lambda text: None,
                 show=show)
wall = time.perf_counter() - began
# Not ru_maxrss, which a process takes over from the one that started it.
peak = next(line for line in open("/proc/self/status") if line.startswith("VmHWM"))
own, others = resource.getrusage(resource.RUSAGE_SELF), resource.getrusage(resource.RUSAGE_CHILDREN)
print(json.dumps({
    "status": status, "wall_s": wall, "cpu_s": others.ru_utime + others.ru_stime,
    "lead_cpu_s": own.ru_utime + own.ru_stime, "lead_mb": int(peak.split()[1]) / 1024,
    "worker_mb": others.ru_maxrss / 1024,
    "promised_s": promised and promised[0], "truly_s": promised and last - promised[1],
}))
"""


class Figures(msgspec.Struct):
    """What a run of a day cost."""

    status: int
    wall_s: float
    cpu_s: float
    lead_cpu_s: float
    lead_mb: float
    worker_mb: float
    promised_s: float | None
    truly_s: float | None


def start(folder: Path, out: Path, cores: int) -> "subprocess.Popen[bytes]":
    """Start a day in a process of its own, on so many processors."""
    command = [sys.executable, "-c", LEAD, str(folder), str(out), str(cores)]
    return subprocess.Popen(command, stdout=subprocess.PIPE)


def day(what: str, folder: Path, out: Path, cores: int = 2) -> Figures:
    """Run a day and print what it cost."""
    told, _ = start(folder, out, cores).communicate()
    found = msgspec.json.decode(told, type=Figures)
    given = (found.cpu_s + found.lead_cpu_s) / (found.wall_s * cores)
    print(
        f"{what}: {found.wall_s:.1f} s, {found.cpu_s:.1f} s of processor ({given:.0%} of {cores}), "
        f"lead {found.lead_cpu_s:.1f} s, {found.lead_mb:.0f} MB, worker {found.worker_mb:.0f} MB",
        flush=True,
    )
    if found.promised_s is not None and found.truly_s is not None:
        print(
            f"   at half: {found.promised_s:.0f} s left, it was {found.truly_s:.0f} s", flush=True
        )
    return found


def timed(what: str, work: Callable[[], object]) -> float:
    """Do the work, print and return the seconds it took."""
    started_at = time.perf_counter()
    work()
    spent_s = time.perf_counter() - started_at
    print(f"{what}: {spent_s:.2f} s", flush=True)
    return spent_s


def write_take(path: Path, seed: int, seconds: float) -> None:
    """Write two tracks of noise with bursts in turn, no two files alike or of one length."""
    rng = np.random.default_rng(seed)
    frames = round(seconds * RATE_HZ) + seed
    turn = (np.arange(frames) // (4 * RATE_HZ)) % 2
    samples = rng.normal(0, 0.001, (frames, 2)).astype(np.float32)
    voice = rng.normal(0, 0.05, frames).astype(np.float32)
    voice *= np.sin(np.arange(frames) / RATE_HZ * 2 * np.pi * 4) > 0
    for mic in (0, 1):
        samples[:, mic] += voice * (turn == mic)
    path.parent.mkdir(parents=True, exist_ok=True)
    sf.write(path, samples, RATE_HZ, subtype="PCM_16")


def tree(folder: Path, count: int) -> None:
    """Write a tree of small files, one in ten of which begins as a recording."""
    for number in range(count):
        path = folder / f"{number // 200}" / f"F{number}.bin"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes((b"RIFF\0\0\0\0WAVE" if number % 10 == 0 else b"<xml/>") + bytes(100))


def many_takes(base: Path, count: int) -> tuple[Path, Path]:
    """Return a finished day of many takes, made from one that was really checked."""
    folder, out = base / f"many{count}", base / f"many{count}-reports"
    for number in range(count):
        write_take(folder / f"card{number // 100}" / f"C{number:04}.wav", number, 1.0)
    first, made_in = base / "first", base / "first-reports"
    write_take(first / "C.wav", 0, 16)
    run_day(first, made_in, jobs=1, options=OPTIONS, say=lambda text: None)
    made = next((made_in / state.FOLDER).glob("*.json"))
    known = msgspec.json.decode(made.read_bytes())
    memory = DayState(out)
    memory.folder.mkdir(parents=True)
    shutil.copytree(made_in / "takes", out / "takes")
    for path in sorted(folder.rglob("*.wav")):
        key = memory.digest(path.relative_to(folder).as_posix())
        known["identity"] = memory.identity(state.stamps([path.resolve()]))
        known["measured_with"] = state.measured_with([path], OPTIONS, load_specs(OPTIONS.specs))
        known["row"] |= {"key": key, "name": path.name}
        (memory.folder / f"{key}.json").write_bytes(msgspec.json.encode(known))
    return folder, out


def ctrl_c(folder: Path, out: Path) -> float:
    """Return how many seconds after Ctrl-C a run in full work has ended."""
    command = [sys.executable, "-m", "dualmic", "day", str(folder), "--out", str(out)]
    # A shell lets what it starts in the background ignore Ctrl-C: this must not.
    listening = lambda: signal.signal(signal.SIGINT, signal.SIG_DFL)  # noqa: E731
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, preexec_fn=listening) as process:
        while not list(out.glob("takes/*/*.json")):
            time.sleep(0.05)
        sent_at = time.perf_counter()
        process.send_signal(signal.SIGINT)
        process.wait()
        return time.perf_counter() - sent_at


def main() -> None:
    """Print the figures."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    long_s = float(sys.argv[2]) if len(sys.argv) > 2 else 4 * 3600.0
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    print(f"load before: {os.getloadavg()[0]:.1f}")
    with tempfile.TemporaryDirectory() as name:
        base = Path(name)
        tree(base / "tree", 20_000)
        timed("look through 20,000 files", lambda: list(files_in(base / "tree")))
        for takes in (200, 2_000):
            folder, out = many_takes(base, takes)
            day(f"{takes} finished takes, first time", folder, out)
            day(f"{takes} finished takes, resumed", folder, out)
        print(f"   page: {(out / 'index.html').stat().st_size / 1e6:.1f} MB")
        rows = [
            msgspec.convert(row, state.Row)
            for row in msgspec.json.decode((out / "day.json").read_bytes())["takes"]
        ]
        timed("write the day's four files", lambda: write_day(rows, base / "page", "day"))
        few = max(12, count // 10)
        for number in range(few):
            write_take(base / "few" / f"S{number:04}.wav", number, 20)
        print(f"Ctrl-C: ended after {ctrl_c(base / 'few', base / 'stopped'):.2f} s", flush=True)
        print(f"load: {os.getloadavg()[0]:.1f}", flush=True)
        spent = [
            day(
                f"{few} takes of 20 s, {cores} of the cores",
                base / "few",
                base / f"o{cores}",
                cores,
            )
            for cores in (1, 2)
        ]
        print(f"   two cores give {spent[0].wall_s / spent[1].wall_s:.2f} times one", flush=True)
        for number in range(count):
            write_take(base / "all" / f"S{number:04}.wav", number, 20)
        write_take(base / "all" / "L.wav", 1, long_s)
        what = f"{count} takes of 20 s and one of {long_s / 3600:.2f} h"
        day(what, base / "all", base / "all-reports")
        print(f"load after: {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    main()
