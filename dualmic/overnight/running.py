"""Running jobs in processes that may crash, hang or be killed, here or on a cluster.

``--jobs`` and ``--scheduler`` share one path: a ``concurrent.futures`` executor whose threads each
own one worker process. A process that dies takes only its own take with it.
"""

import contextlib
import os
import queue
import selectors
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import CancelledError, Executor, Future, ThreadPoolExecutor
from typing import Any, TypeVar

import msgspec

from dualmic.errors import UsageError
from dualmic.overnight.jobs import Answer, Job
from dualmic.overnight.state import from_plain

_ANSWER_WITHIN_S = 10  # our choice: a scheduler on one's own network answers at once

_TICK_S = 0.5  # our choice: how often a bar moves

Asked = TypeVar("Asked")

_own = threading.local()
_all: set["_Worker"] = set()
_stopped = threading.Event()


class _Worker:
    """A worker process and what it has said that is not yet a whole line."""

    def __init__(self) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "dualmic.overnight.worker"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            start_new_session=True,  # Ctrl-C is for the run, which ends its workers itself
            env={**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
        )
        _all.add(self)

    def end(self) -> None:
        """Kill the process."""
        _all.discard(self)
        self.process.kill()
        self.process.wait()
        for pipe in (self.process.stdin, self.process.stdout):
            if pipe:
                with contextlib.suppress(OSError):
                    pipe.close()

    def answer(self, job: Job, progress: Callable[[float], None] | None) -> Answer:
        """Give the job to the process and wait for what comes of it."""
        assert self.process.stdin and self.process.stdout
        ends_at = time.monotonic() + job.limit_s
        self.process.stdin.write(msgspec.json.encode(job) + b"\n")
        self.process.stdin.flush()
        rest = b""
        with selectors.DefaultSelector() as waiting:
            waiting.register(self.process.stdout, selectors.EVENT_READ)
            while True:
                left_s = ends_at - time.monotonic()
                if left_s <= 0 or not waiting.select(left_s):
                    raise TimeoutError
                data = os.read(self.process.stdout.fileno(), 1 << 16)
                if not data:
                    raise BrokenPipeError
                *lines, rest = (rest + data).split(b"\n")
                for line in lines:
                    answer = msgspec.json.decode(line, type=Answer, dec_hook=from_plain)
                    if answer.progress_s is None:
                        return answer
                    if progress:
                        progress(answer.progress_s)


def isolated(job: Job, progress: Callable[[float], None] | None = None) -> Answer:
    """Do a job in this thread's worker process; its death or delay becomes the answer."""
    if _stopped.is_set():
        return Answer(error="It was stopped.", passing=True)
    worker: _Worker | None = getattr(_own, "worker", None)
    if worker is None or worker.process.poll() is not None:
        worker = _own.worker = _Worker()
        if _stopped.is_set():  # it may have been started after the others were ended
            worker.end()
            return Answer(error="It was stopped.", passing=True)
    try:
        return worker.answer(job, progress)
    except TimeoutError:
        worker.end()
        return Answer(
            error=f"It took longer than {job.limit_s:.0f} s and was given up: is the file damaged?",
            lost=True,
        )
    except OSError:
        worker.end()
        code = worker.process.returncode
        how = f"killed by signal {-code}" if code < 0 else f"ended with status {code}"
        return Answer(
            error=f"The process that measured it was {how}: is the file damaged, or memory short?",
            lost=True,
        )


def gather(
    waiting: Mapping["Future[Answer]", Asked], tick: Callable[[], None]
) -> Iterator[tuple[Asked, Answer]]:
    """Yield what was asked and its answer, as answers come; ``tick`` is called twice a second."""
    ready: queue.SimpleQueue[Future[Answer]] = queue.SimpleQueue()
    for future in waiting:
        future.add_done_callback(ready.put)
    left = len(waiting)
    while left:
        try:
            future = ready.get(timeout=_TICK_S)
        except queue.Empty:
            tick()
            continue
        left -= 1
        yield waiting[future], _answer(future)


def _answer(future: "Future[Answer]") -> Answer:
    try:
        return future.result()
    except CancelledError:
        return Answer(error="It was stopped.", passing=True)
    except Exception as error:  # of this program, or a cluster's such as a worker lost too often
        text = f"It could not be run: {type(error).__name__}: {error}"
        return Answer(error=text, passing=True)


def cores() -> int:
    """Return how many processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def stop_workers() -> None:
    """Kill every worker process of this run."""
    _stopped.set()
    for worker in list(_all):
        worker.process.kill()


@contextlib.contextmanager
def executor(jobs: int, scheduler: str | None) -> Iterator[Executor]:
    """Return what runs :func:`isolated`: threads here, or a Dask cluster.

    Raises:
        UsageError: ``distributed`` is not installed, or nobody answers at the address.

    """
    _stopped.clear()
    if scheduler is None:
        threads = ThreadPoolExecutor(jobs)
        try:
            yield threads
        finally:
            stop_workers()
            threads.shutdown(wait=True, cancel_futures=True)
            for worker in list(_all):
                worker.end()
        return
    client = _client(scheduler)
    try:
        yield client.get_executor(pure=False, retries=3)
    finally:
        client.close()


def _client(address: str) -> Any:
    try:
        from distributed import Client
    except ImportError:
        raise UsageError(
            "--scheduler needs the package distributed: pip install 'dualmic[cluster]'."
        ) from None
    try:
        return Client(address, timeout=_ANSWER_WITHIN_S)
    except (OSError, ValueError) as error:
        raise UsageError(f"No Dask scheduler answers at {address}: {error}.") from error
