"""Which files of a folder that is being filled have stopped growing."""

import time
from collections.abc import Callable, Sequence
from pathlib import Path

from dualmic.overnight.finding import SeenFile

_LONG_QUIET_S = 30.0  # our choice: a copy that stands still for longer has ended, or failed


class Arrivals:
    """Remembers how long each file has been as it is."""

    def __init__(self, now: Callable[[], float] = time.monotonic) -> None:
        self._now = now
        self._since: dict[Path, tuple[SeenFile, float]] = {}

    def settled(self, seen: Sequence[SeenFile]) -> list[SeenFile]:
        """Return the files that are as they were when last looked at."""
        now_s = self._now()
        before = self._since
        self._since = {
            file.path: known
            if (known := before.get(file.path)) and known[0] == file
            else (file, now_s)
            for file in seen
        }
        return [file for file in seen if file.path in before and before[file.path][0] == file]

    def is_quiet(self, path: Path) -> bool:
        """Say whether a file has been as it is for long: one that does not open yet may still be
        on its way.
        """
        return self._now() - self._since[path][1] >= _LONG_QUIET_S
