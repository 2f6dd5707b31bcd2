"""Small days made, run and looked at, for the tests of the day."""

import contextlib
import time
from collections.abc import Callable
from pathlib import Path

import msgspec
import numpy as np
import pytest
import soundfile as sf
from speech_scene import make

from dualmic.day import run_day
from dualmic.overnight.state import Row
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
    for child in workers_of(pid):
        for link in Path(f"/proc/{child}/fd").iterdir():
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


def long_take(path: Path) -> Path:
    """Write a take that is measured for some seconds, so that something can happen meanwhile."""
    return write(path, np.tile(sound(), (20, 1)))


def two_takes_in(folder: Path) -> Path:
    """Write two short takes, C1.wav and C2.wav."""
    for k in (1, 2):
        write(folder / f"C{k}.wav", sound()[: -100 * k])
    return folder


linux = pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="finds processes in /proc")
