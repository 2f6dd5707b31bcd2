"""Progress of a day on the screen: bars on a terminal, now and then a line elsewhere."""

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from dualmic.overnight.pace import Progress, left_in_words
from dualmic.report.cells import plain_for
from dualmic.report.progress import can_show_bars
from dualmic.report.words import clock, short_name

if TYPE_CHECKING:
    from rich.progress import Progress as Display
    from rich.progress import TaskID

Show = Callable[[Progress], None]

_LINE_EVERY_S = 60.0  # our choice: a log of a night stays readable
_NAME_LETTERS = 32  # our choice: leaves room for bar and times in 80 columns


@contextmanager
def showing() -> Iterator[Show]:
    """Yield what shows progress on standard error, as often as it is called.

    On a terminal: a bar for everything and one for each take being measured, nothing left behind.
    In a pipe or on a dumb terminal: a plain line a minute.
    """
    if not can_show_bars():
        yield _Lines()
        return
    bars = _Bars()
    try:
        yield bars
    finally:
        bars.close()


def overall(progress: Progress) -> str:
    """Return how far everything is, in one line."""
    return (
        f"{progress.done} of {progress.whole} takes, {clock(progress.done_s)} of "
        f"{clock(progress.whole_s)}, {left_in_words(progress.left_s)}"
    )


class _Lines:
    def __init__(self) -> None:
        self._said_at = time.monotonic()

    def __call__(self, progress: Progress) -> None:
        if progress.whole and time.monotonic() - self._said_at >= _LINE_EVERY_S:
            self._said_at = time.monotonic()
            print(overall(progress), file=sys.stderr, flush=True)


class _Bars:
    def __init__(self) -> None:
        self._display: Display | None = None
        self._tasks: dict[str, TaskID] = {}

    def __call__(self, progress: Progress) -> None:
        if progress.done == progress.whole:
            self.close()
            return
        if self._display is None:
            self._display = _display()
            self._tasks = {}
        shown = [("", overall(progress), progress.done_s, progress.whole_s)]
        for take in progress.current:
            name = plain_for(short_name(take.name, _NAME_LETTERS), sys.stderr.encoding)
            text = f"{clock(take.done_s)} of {clock(take.length_s)}  {name}"
            shown.append((take.name, text, take.done_s, take.length_s))
        for name, text, done_s, whole_s in shown:
            if name not in self._tasks:
                self._tasks[name] = self._display.add_task(text, total=whole_s)
            self._display.update(
                self._tasks[name], completed=done_s, total=whole_s, description=text
            )
        for name in self._tasks.keys() - {name for name, *_ in shown}:
            self._display.remove_task(self._tasks.pop(name))

    def close(self) -> None:
        """Take the bars away."""
        if self._display is not None:
            self._display.stop()
            self._display = None


def _display() -> "Display":
    from rich.console import Console
    from rich.progress import BarColumn, TextColumn
    from rich.progress import Progress as Display

    display = Display(
        BarColumn(bar_width=16),
        TextColumn("{task.description}", markup=False),
        console=Console(stderr=True),
        transient=True,
        # Lines of finished takes go above the bars, unless they go into a file or another program.
        redirect_stdout=sys.stdout.isatty(),
        redirect_stderr=False,
    )
    display.start()
    return display
