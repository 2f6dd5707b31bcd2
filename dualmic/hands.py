"""Who pushes spans through a group of meters: the caller, a thread, or a process of its own.

Numbers do not depend on it: a group gets its spans in order, and its meters know of no other group.
A process reads the spans where both see them, and sends what its meters found when all are done.
"""

import contextlib
import mmap
from collections import deque
from collections.abc import Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from multiprocessing.connection import Connection
from typing import Any, Protocol

import numpy as np

from dualmic.forked import Copy, can_fork
from dualmic.tiles import Span, before_frames, span_s

AHEAD = 1  # spans that one group of meters may be ahead of another; our choice
SLOTS = 4  # spans that wait for the other process or are read by it; our choice


class Meter(Protocol):
    """What every meter is: fed span after span, asked at the end."""

    def push(self, span: Span) -> None:
        """Take in the next span."""

    def result(self) -> Any:
        """Return what was measured."""


Group = Mapping[str, Meter]  # by the name of what they measure
Results = dict[str, Any]


class Hand(Protocol):
    """Pushes spans through a group of meters."""

    def push(self, span: Span) -> None:
        """Take in the next span, now or soon."""

    def results(self) -> Results:
        """Return what the meters found in all of them, by name."""

    def close(self) -> None:
        """Let go of whatever is still running."""


class Here:
    """Pushes at once, in the thread that asks."""

    def __init__(self, group: Group) -> None:
        """Push through the meters of ``group``."""
        self._group = group

    def push(self, span: Span) -> None:
        """Push through all meters."""
        _push(self._group, span)

    def results(self) -> Results:
        """Return what the meters found, by name."""
        return _results(self._group)

    def close(self) -> None:
        """Nothing runs."""


class InThread:
    """Pushes in a thread of its own."""

    def __init__(self, group: Group) -> None:
        """Push through the meters of ``group``."""
        self._group = group
        self._pool = ThreadPoolExecutor(1)
        self._waiting: deque[Future[None]] = deque()

    def push(self, span: Span) -> None:
        """Hand the span over; wait where the thread is behind. What went wrong is raised here."""
        self._waiting.append(self._pool.submit(_push, self._group, span))
        if len(self._waiting) > AHEAD:
            self._waiting.popleft().result()

    def results(self) -> Results:
        """Wait for the last span, return what the meters found, by name."""
        while self._waiting:
            self._waiting.popleft().result()
        return _results(self._group)

    def close(self) -> None:
        """Wait for the thread to end."""
        self._pool.shutdown(cancel_futures=True)


class InProcess:
    """Pushes in a copy of this process: ask :func:`dualmic.forked.can_fork` before."""

    def __init__(self, group: Group, channels: int, rate_hz: int) -> None:
        """Push spans of ``channels`` at ``rate_hz`` through the meters of ``group``."""
        frames = before_frames(rate_hz) + span_s(rate_hz, channels) * rate_hz
        shape = (SLOTS, channels, frames)
        memory = mmap.mmap(-1, int(np.prod(shape)) * np.dtype(np.float32).itemsize)
        self._slots = np.frombuffer(memory, np.float32).reshape(shape)
        self._free = list(range(SLOTS))
        self._copy = Copy(lambda there: _serve(group, there, self._slots))

    @property
    def pid(self) -> int:
        """The number of the process in the system."""
        return self._copy.pid

    def push(self, span: Span) -> None:
        """Copy the span to where the other process reads it; wait where that is behind.

        Raises:
            DualmicError: the process was ended from outside.

        """
        slot = self._free.pop() if self._free else self._copy.hear()
        width = span.store.shape[1]
        self._slots[slot, :, :width] = span.store
        self._copy.say((slot, width, span.start_s, span.rate_hz, span.before))

    def results(self) -> Results:
        """Wait for the last span, return what the meters found, by name.

        Raises:
            DualmicError: the process was ended from outside.

        """
        self._copy.say(None)
        while isinstance(answer := self._copy.hear(), int):
            pass
        return answer

    def close(self) -> None:
        """End the process, whatever it is doing."""
        self._copy.end()


def hands_for(
    groups: Sequence[Group], channels: int, rate_hz: int, *, workers: int, may_fork: bool
) -> list[Hand]:
    """Return who pushes spans through each group.

    Args:
        groups: the first is one that another process may take, while the caller has the rest.
        channels: of the spans of the first group.
        rate_hz: their sample rate.
        workers: one does everything here; two may be processes, else each group has a thread.
        may_fork: whether the caller owns the whole process.

    """
    if workers == 1:
        return [Here(group) for group in groups]
    if may_fork and can_fork():
        with contextlib.suppress(OSError):  # no more processes are allowed, or no memory is left
            other = InProcess(groups[0], channels, rate_hz)
            # A thread of Python is slowed down by others; beside a process there is none.
            return [other, *(Here(group) for group in groups[1:])]
    return [InThread(group) for group in groups]


def _serve(group: Group, asked: Connection, slots: np.ndarray) -> None:
    """Push what is asked for until all is done; each slot that was read is sent back."""
    while (what := asked.recv()) is not None:
        slot, width, *about = what
        _push(group, Span(slots[slot, :, :width], *about))
        asked.send(slot)
    asked.send(_results(group))


def _push(group: Group, span: Span) -> None:
    for meter in group.values():
        meter.push(span)


def _results(group: Group) -> Results:
    return {name: meter.result() for name, meter in group.items()}
