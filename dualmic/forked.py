"""Work in a copy of this process (a fork), which threads of Python do not slow down.

A copy begins with everything the process holds, so nothing has to be handed to it; what it finds
comes back through a pipe. Only who owns the whole process may ask for it: a copy of one in which
other threads run has their locks and nobody to open them.
"""

import contextlib
import multiprocessing
import signal
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, TypeVar

from dualmic.errors import DualmicError

T = TypeVar("T")
ENDS_WITHIN_S = 1.0  # our choice: what it is doing takes a hundredth of that


def can_fork() -> bool:
    """Whether a copy of this process would be a whole one: no thread but this is running.

    Threads that libraries run count as well. Where the system does not list them, as it does on
    Linux alone, its libraries are not made for copies either.
    """
    try:
        return len(list(Path("/proc/self/task").iterdir())) == 1
    except OSError:
        return False


class Copy:
    """A copy of this process that does one thing and ends; ask :func:`can_fork` before."""

    def __init__(self, does: Callable[[Connection], None]) -> None:
        """Start it: ``does`` gets its end of the pipe.

        Raises:
            OSError: no more processes are allowed, or no memory is left.

        """
        context = multiprocessing.get_context("fork")
        self._here, there = context.Pipe()
        self._process = context.Process(target=self._do, args=(does, there), daemon=True)
        # Who asks is interrupted as well, and hangs up.
        usual = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
        try:
            self._process.start()
        finally:
            signal.pthread_sigmask(signal.SIG_SETMASK, usual)
            there.close()

    @property
    def pid(self) -> int:
        """Its number in the system."""
        return self._process.pid or 0

    def say(self, what: object) -> None:
        """Send ``what`` there.

        Raises:
            DualmicError: it was ended from outside.

        """
        try:
            self._here.send(what)
        except OSError:  # nobody is there: the last that was said tells why
            while True:
                self.hear()

    def hear(self) -> Any:
        """Wait for what it sends next, and return that; what went wrong there is raised here.

        Raises:
            DualmicError: it was ended from outside.

        """
        try:
            answer = self._here.recv()
        except (EOFError, OSError) as error:
            raise DualmicError(
                "A process that was measuring was ended from outside: check it again."
            ) from error
        if isinstance(answer, Exception):
            raise answer
        return answer

    def end(self) -> None:
        """Hang up, and end it if it goes on all the same."""
        self._here.close()
        self._process.join(ENDS_WITHIN_S)
        self._process.kill()
        self._process.join()

    def _do(self, does: Callable[[Connection], None], there: Connection) -> None:
        self._here.close()  # or it would never see that nobody is there any more
        try:
            does(there)
        except Exception as error:  # raised again in the process that asked, if it is there
            with contextlib.suppress(OSError):
                there.send(error)


@contextlib.contextmanager
def beside(work: Callable[[], T], *, may_fork: bool) -> Iterator[Callable[[], T]]:
    """Do ``work`` in a copy where there may be one, else in a thread, while the caller goes on.

    Yields what waits for the work and returns what came of it, again if asked again, or raises what
    went wrong.
    """
    copy: Copy | None = None
    if may_fork and can_fork():
        with contextlib.suppress(OSError):
            copy = Copy(lambda there: there.send(work()))
    if copy is None:
        with ThreadPoolExecutor(1) as pool:
            yield pool.submit(work).result
        return
    try:
        yield cache(copy.hear)
    finally:
        copy.end()
