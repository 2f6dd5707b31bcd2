"""What the files of a folder say of themselves, read by worker processes.

A file can crash or hang the library that opens it. So heads are read in worker processes, many at
a time, and of a batch whose process was lost each file alone.
"""

from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field
from pathlib import Path

import dualmic
from dualmic.overnight import finding
from dualmic.overnight.finding import SeenFile, Unit
from dualmic.overnight.jobs import Job
from dualmic.overnight.planning import LOST_TWICE, Run, lost_words
from dualmic.overnight.running import gather, isolated
from dualmic.overnight.state import KnownHead, to_plain
from dualmic.readers.filereader import path_text

_BATCH = 64  # our choice: a batch takes well under a second
_BATCH_LIMIT_S = 120.0  # our choice: a disk that has to wake up, and 64 slow files
_ALONE_LIMIT_S = 60.0  # our choice


@dataclass
class Look:
    """What one run knows of heads; carried on while it watches a folder."""

    run: Run
    known: dict[str, KnownHead] = field(init=False)
    units: list[Unit] = field(default_factory=list)
    unreadable: dict[Path, str] = field(default_factory=dict)
    proxies: int = 0
    _tried: set[str] = field(default_factory=set)

    def __post_init__(self) -> None:
        self.known = self.run.memory.heads(self._read_with)

    @property
    def _read_with(self) -> str:
        return f"{dualmic.__version__} {self.run.options.settings.timecode_rate}"

    def take_in(self, pool: Executor, seen: Sequence[SeenFile], tick: Callable[[], None]) -> None:
        """Read what is new, and put together what belongs together."""
        fresh = [file.path for file in seen if self._is_fresh(file)]
        read = self._read(pool, fresh, tick)
        names = [path_text(file.path) for file in seen]
        self.known = {name: read.get(name) or self.known[name] for name in names}
        self._tried.update(read)
        if read:
            # What may pass is asked again at the next start.
            kept = {name: head for name, head in self.known.items() if not head.passing}
            self.run.memory.keep_heads(kept, self._read_with)
        heads = [known.head for known in self.known.values() if known.head is not None]
        self.units, proxies = finding.group(heads)
        self.proxies = len(proxies)
        self.unreadable = {
            Path(name): known.error for name, known in self.known.items() if known.error
        }

    def _is_fresh(self, file: SeenFile) -> bool:
        old = self.known.get(path_text(file.path))
        if old is None or (old.size_bytes, old.changed_ns) != (file.size_bytes, file.changed_ns):
            return True
        return 0 < old.lost < LOST_TWICE and path_text(file.path) not in self._tried

    def _read(
        self, pool: Executor, paths: Sequence[Path], tick: Callable[[], None]
    ) -> dict[str, KnownHead]:
        read: dict[str, KnownHead] = {}
        alone: list[Path] = []
        batches = [paths[at : at + _BATCH] for at in range(0, len(paths), _BATCH)]
        waiting = {pool.submit(isolated, self._job(b, _BATCH_LIMIT_S)): b for b in batches}
        for batch, answer in gather(waiting, tick):
            if answer.heads is None:
                alone += batch
            else:
                read |= zip(map(path_text, batch), answer.heads, strict=True)
        single = {pool.submit(isolated, self._job([p], _ALONE_LIMIT_S)): p for p in alone}
        for path, answer in gather(single, tick):
            if answer.heads is not None:
                read[path_text(path)] = answer.heads[0]
            else:
                read[path_text(path)] = self._lost(path, answer.error or "", answer.passing)
        return read

    def _lost(self, path: Path, error: str, passing: bool) -> KnownHead:
        old = self.known.get(path_text(path))
        try:
            status = path.stat()
        except OSError as gone:
            return KnownHead(0, 0, error=str(gone), passing=True)
        size, changed = status.st_size, status.st_mtime_ns
        same = old is not None and (old.size_bytes, old.changed_ns) == (size, changed)
        lost = 1 + (old.lost if old is not None and same else 0)
        told = error if passing else f"{error} {lost_words(lost)}"
        return KnownHead(size, changed, error=told, passing=passing, lost=lost)

    def _job(self, paths: Sequence[Path], limit_s: float) -> Job:
        return Job(
            task="heads",
            key="",
            name="",
            paths=[to_plain(path) for path in paths],
            options=self.run.options,
            out=str(self.run.out),
            folder="",
            measured_with="",
            drawn_with="",
            limit_s=limit_s,
        )
