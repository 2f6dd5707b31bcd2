"""Numbers do not depend on who pushes spans through the meters, and no process stays behind."""

import json
import os
import signal
import subprocess
import sys
import threading
import time
from dataclasses import fields, is_dataclass
from functools import partial
from pathlib import Path

import numpy as np
import pytest
import soundfile
import speech_scene

from dualmic import forked, hands
from dualmic.errors import DualmicError
from dualmic.forked import beside, can_fork
from dualmic.measure import measure
from dualmic.meters.levels import LevelMeter
from dualmic.tiles import Span, spans

RATE_HZ = speech_scene.RATE_HZ
on_linux = pytest.mark.skipif(sys.platform != "linux", reason="copies of a process: Linux alone")


class Broken:
    """A meter that fails in its second span."""

    def __init__(self) -> None:
        self.seen = 0

    def push(self, span: object) -> None:
        """Fail the second time."""
        self.seen += 1
        if self.seen == 2:
            raise ValueError("no such sound")

    def result(self) -> int:
        """Return how many spans were seen."""
        return self.seen


class Slow:
    """A meter that takes its time, and says what it saw."""

    def __init__(self) -> None:
        self.first: list[float] = []

    def push(self, span: Span) -> None:
        """Wait, then look."""
        time.sleep(0.02)
        self.first.append(float(span.samples[0, 0]))

    def result(self) -> list[float]:
        """Return the first sample of every span."""
        return self.first


@pytest.fixture(scope="module")
def sound() -> np.ndarray:
    """Eleven seconds of two voices, ``(frames, 2)``: two whole spans and a part of one."""
    return speech_scene.make().samples[: 11 * RATE_HZ].astype(np.float32)


def same(one: object, other: object) -> bool:
    if is_dataclass(one):
        return type(one) is type(other) and all(
            same(getattr(one, f.name), getattr(other, f.name)) for f in fields(one)
        )
    if isinstance(one, np.ndarray):
        assert isinstance(other, np.ndarray)
        return one.dtype == other.dtype and np.array_equal(one, other, equal_nan=True)
    if isinstance(one, list | tuple):
        assert isinstance(other, list | tuple)
        return len(one) == len(other) and all(map(same, one, other))
    return one == other


@on_linux
def test_every_number_is_the_same_whoever_measures(
    sound: np.ndarray, monkeypatch: pytest.MonkeyPatch
) -> None:
    three = np.tile(np.column_stack([sound, 0.5 * sound[:, 1]]), (3, 1))  # more spans than slots
    asked = []
    monkeypatch.setattr(hands, "can_fork", lambda: asked.append(True) or True)
    alone = measure([three], RATE_HZ, 3, bit_depth=24, workers=1)
    threads = measure([three], RATE_HZ, 3, bit_depth=24)
    assert not asked
    forked = measure([three[:5000], three[5000:]], RATE_HZ, 3, bit_depth=24, may_fork=True)
    assert asked
    assert alone.others is not None
    assert same(alone, threads)
    assert same(alone, forked)


def test_a_process_is_not_copied_while_a_thread_runs() -> None:
    # The copy would have that thread's locks and nobody to open them (Python's manual, os.fork).
    done = threading.Event()
    thread = threading.Thread(target=done.wait)
    thread.start()
    try:
        assert not can_fork()
        (other,) = hands.hands_for([{}], 2, RATE_HZ, workers=2, may_fork=True)
        assert isinstance(other, hands.InThread)
        other.close()
    finally:
        done.set()
        thread.join()


def test_where_no_process_may_begin_a_thread_measures(monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(*_: object) -> None:
        raise BlockingIOError("Resource temporarily unavailable")

    monkeypatch.setattr(hands, "can_fork", lambda: True)
    monkeypatch.setattr(hands, "InProcess", refused)
    (other,) = hands.hands_for([{}], 2, RATE_HZ, workers=2, may_fork=True)
    assert isinstance(other, hands.InThread)
    other.close()


@on_linux
def test_what_goes_wrong_in_the_other_process_is_raised_here(sound: np.ndarray) -> None:
    hand = hands.InProcess({"broken": Broken()}, 2, RATE_HZ)
    with pytest.raises(ValueError, match="no such sound"):
        for span in [*spans([sound], RATE_HZ)] * 4:
            hand.push(span)
    hand.close()


@on_linux
def test_no_span_is_written_over_before_the_other_process_has_read_it() -> None:
    count = 3 * hands.SLOTS
    starts = np.repeat(np.arange(count, dtype=np.float32), 4 * 8000)
    hand = hands.InProcess({"first": Slow()}, 1, 8000)
    for span in spans([starts[:, None]], 8000):
        hand.push(span)
    assert hand.results() == {"first": list(range(count))}
    hand.close()


@on_linux
@pytest.mark.parametrize("at", ["push", "results"])
def test_a_process_that_is_ended_from_outside_is_one_clear_line(sound: np.ndarray, at: str) -> None:
    hand = hands.InProcess({"levels": LevelMeter(RATE_HZ, 2)}, 2, RATE_HZ)
    first, *_ = spans([sound], RATE_HZ)
    hand.push(first)
    os.kill(hand.pid, signal.SIGKILL)
    with pytest.raises(DualmicError, match="ended from outside: check it again"):
        for _ in range(10):
            hand.push(first) if at == "push" else hand.results()
    hand.close()


@on_linux
@pytest.mark.parametrize("may_fork", [False, True])
def test_work_beside_comes_back_or_says_what_went_wrong(
    monkeypatch: pytest.MonkeyPatch, may_fork: bool
) -> None:
    monkeypatch.setattr(forked, "can_fork", lambda: True)
    with beside(os.getpid, may_fork=may_fork) as number:
        assert (number() != os.getpid()) is may_fork
        assert number() == number()
    for wrong in (FileNotFoundError, ZeroDivisionError):
        with beside(partial(fail, wrong), may_fork=may_fork) as nothing, pytest.raises(wrong):
            nothing()
    with pytest.raises(FileNotFoundError), beside(time.time, may_fork=may_fork):
        fail(FileNotFoundError)


def fail(how: type[Exception]) -> None:
    raise how("a word")


def children_of(pid: int) -> list[int]:
    return [int(p) for p in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


def checking(path: Path, *more: str) -> subprocess.Popen:
    line = [sys.executable, "-m", "dualmic", "check", str(path), *more]
    return subprocess.Popen(line, stdout=subprocess.PIPE, stderr=subprocess.PIPE)


def line_of(pid: int) -> bytes:
    try:
        return Path(f"/proc/{pid}/cmdline").read_bytes()
    except FileNotFoundError:
        return b""


def its_process(running: subprocess.Popen) -> int:
    """Return its copy of itself; other programs that it starts are none."""
    until = time.monotonic() + 60
    while running.poll() is None and time.monotonic() < until:
        own = line_of(running.pid)
        for child in children_of(running.pid):
            if own and line_of(child) == own:
                return child
        time.sleep(0.002)
    running.kill()
    pytest.fail("there was no second process")


@pytest.fixture(scope="module")
def long_take(sound: np.ndarray, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Six minutes, which take a second at least to measure."""
    path = tmp_path_factory.mktemp("hands") / "take.wav"
    soundfile.write(path, np.tile(sound, (33, 1)), RATE_HZ, subtype="PCM_24")
    return path


@on_linux
@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL])
def test_no_process_stays_when_a_check_is_ended(long_take: Path, how: signal.Signals) -> None:
    running = checking(long_take)
    other = its_process(running)
    running.send_signal(how)
    _, err = running.communicate(timeout=30)
    assert b"Traceback" not in err
    for _ in range(1000):
        state = Path(f"/proc/{other}/stat")
        if not state.exists() or state.read_text().rsplit(")", 1)[1].split()[0] == "Z":
            break
        time.sleep(0.01)
    else:
        pytest.fail("the second process still runs ten seconds later")


@on_linux
def test_a_check_whose_process_is_ended_says_so_and_gives_up(long_take: Path) -> None:
    running = checking(long_take)
    os.kill(its_process(running), signal.SIGKILL)
    out, err = running.communicate(timeout=60)
    assert running.returncode == 2
    assert out == b""
    assert err.decode().splitlines() == [
        "dualmic: A process that was measuring was ended from outside: check it again."
    ]


@on_linux
def test_a_check_with_a_report_measures_in_two_processes_too(
    long_take: Path, tmp_path: Path
) -> None:
    running = checking(long_take, "--json", "-", "--report", str(tmp_path / "report"))
    its_process(running)
    out, _ = running.communicate(timeout=120)
    assert json.loads(out)["take"]["name"] == "take"
    assert (tmp_path / "report" / "take.html").is_file()
