"""A bar on the terminal for work that takes more than a moment."""

import os
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from dualmic.report.words import clock

if TYPE_CHECKING:
    from rich.progress import Progress

PATIENCE_S = 2.0
"""Work that is done sooner shows nothing (our choice)."""


def can_show_bars() -> bool:
    """Return whether standard error is a terminal on which something can move."""
    return sys.stderr.isatty() and os.environ.get("TERM") not in ("dumb", None)


@contextmanager
def progress(
    total: float | None, what: str = "Listening", said: Callable[[float], str] = clock
) -> Iterator[Callable[[float], None]]:
    """Show how far the work has come, on standard error and a terminal only.

    Yields a function to be called, as often as one likes, with how much is done: seconds of the
    recording unless ``said`` words it otherwise. Nothing is shown in the first two seconds, in a
    pipe or on a dumb terminal, and nothing is left behind. ``rich`` is imported only when there is
    something to show.

    Args:
        total: length of the recording in seconds; ``None`` where it is not known.
        what: what is being done, shown before the bar.
        said: how an amount is worded beside the bar.

    """
    if not can_show_bars():
        yield lambda done: None
        return
    bar = _Bar(total, what, said)
    try:
        yield bar.advance
    finally:
        bar.close()


class _Bar:
    """A bar of rich's that appears once the work has taken long enough."""

    def __init__(self, total: float | None, what: str, said: Callable[[float], str]) -> None:
        self._total, self._what, self._said = total, what, said
        self._started_at = time.monotonic()
        self._display: Progress | None = None

    def advance(self, done: float) -> None:
        """Show ``done`` as done."""
        if self._display is None:
            if time.monotonic() - self._started_at < PATIENCE_S:
                return
            self._display = self._start()
        self._display.update(self._display.task_ids[0], completed=done, at=self._said(done))

    def _start(self) -> "Progress":
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn

        total = "" if self._total is None else f" of {self._said(self._total)}"
        display = Progress(
            TextColumn(self._what),
            BarColumn(bar_width=32),
            TextColumn(f"{{task.fields[at]}}{total}"),
            console=Console(stderr=True),
            transient=True,
        )
        display.add_task("", total=self._total, at=self._said(0))
        display.start()
        return display

    def close(self) -> None:
        """Take the bar away."""
        if self._display is not None:
            self._display.stop()
