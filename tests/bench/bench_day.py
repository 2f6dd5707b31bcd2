"""How long a day takes: ``python tests/bench/bench_day.py [TAKES] [SECONDS]``.

Prints figures for the start in a tree of 20,000 files, the page and the resume of a finished day
of 2,000 takes, takes a minute with one process and with two, one long take, and the memory of the
process that leads them.
"""

import resource
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import msgspec
import numpy as np
import soundfile as sf

from dualmic.day import _key_of, run_day
from dualmic.overnight import state
from dualmic.overnight.finding import files_in
from dualmic.report.day_page import write_day
from dualmic.take import CheckOptions, load_specs

RATE_HZ = 8000
OPTIONS = CheckOptions(specs=("podcast",))


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
    folder, out = base / "many", base / "many-reports"
    for number in range(count):
        write_take(folder / f"card{number // 100}" / f"C{number:04}.wav", number, 1.0)
    first = base / "first"
    write_take(first / "C.wav", 0, 16)
    run_day(first, base / "first-reports", jobs=1, options=OPTIONS, say=lambda text: None)
    made = next((base / "first-reports" / ".day").glob("*.json"))
    known = msgspec.json.decode(made.read_bytes())
    memory = out / state.FOLDER
    memory.mkdir(parents=True)
    shutil.copytree(base / "first-reports" / "takes", out / "takes")
    for path in sorted(folder.rglob("*.wav")):
        key = _key_of(folder.resolve(), (path.resolve(),))
        known["identity"] = state.identity([path.resolve()])
        known["measured_with"] = state.measured_with([path], OPTIONS, load_specs(OPTIONS.specs))
        known["row"] |= {"key": key, "name": path.name}
        (memory / f"{key}.json").write_bytes(msgspec.json.encode(known))
    return folder, out


def main() -> None:
    """Print the figures."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    long_s = float(sys.argv[2]) if len(sys.argv) > 2 else 4 * 3600.0

    def quiet(text: str) -> None: ...

    with tempfile.TemporaryDirectory() as name:
        base = Path(name)
        tree(base / "tree", 20_000)
        timed("look through 20,000 files", lambda: list(files_in(base / "tree")))
        folder, out = many_takes(base, 2_000)
        for turn in ("first", "second"):

            def again() -> None:
                def nothing_left(text: str) -> None:
                    print("  ", text)

                run_day(folder, out, jobs=1, options=OPTIONS, say=nothing_left)

            timed(f"resume 2,000 finished takes, {turn} time", again)
        print(f"   page: {(out / 'index.html').stat().st_size / 1e6:.1f} MB")
        rows = [
            msgspec.convert(row, state.Row)
            for row in msgspec.json.decode((out / "day.json").read_bytes())["takes"]
        ]
        timed("write the day's four files", lambda: write_day(rows, base / "page", "day"))
        for number in range(count):
            write_take(base / "short" / f"S{number:04}.wav", number, 20)
        spent = {}
        for jobs in (1, 2):
            spent[jobs] = timed(
                f"{count} takes of 20 s, {jobs} at once",
                lambda jobs=jobs: run_day(  # type: ignore[misc]
                    base / "short", base / f"out{jobs}", jobs=jobs, options=OPTIONS, say=quiet
                ),
            )
        print(f"   two cores give {spent[1] / spent[2]:.2f} times one")
        # Before the long take is made, for making it takes more memory than leading the day.
        peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        write_take(base / "long" / "L.wav", 1, long_s)
        timed(
            f"one take of {long_s / 3600:.2f} h",
            lambda: run_day(base / "long", base / "outl", jobs=1, options=OPTIONS, say=quiet),
        )
    children_mb = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    print(f"memory: {peak_mb:.0f} MB in the leading process, {children_mb:.0f} MB in a worker")


if __name__ == "__main__":
    main()
