"""What is asked of a worker and what it answers."""

from pathlib import Path
from typing import Literal

import msgspec

from dualmic.overnight.state import KnownHead, Row, from_plain
from dualmic.take import CheckOptions


class Job(msgspec.Struct, frozen=True):
    """What is to be done with one take, or with many files whose heads are to be read.

    ``known`` is the checksum of a finished report whose files have another time now: when the
    sound is still the same, the report stays. ``before`` counts how often this take was lost.
    """

    task: Literal["check", "draw", "checksum", "heads"]
    key: str
    name: str
    paths: list[str]
    options: CheckOptions
    out: str
    folder: str
    measured_with: str
    drawn_with: str
    limit_s: float
    length_s: float = 0.0
    known: str | None = None
    before: int = 0
    private: bool = False

    @property
    def files(self) -> list[Path]:
        """Its files, of which ``paths`` hold what :func:`to_plain` makes of them."""
        return [from_plain(Path, path) for path in self.paths]


class Answer(msgspec.Struct, frozen=True):
    """What became of a job: a row, a checksum, heads, or an error; ``progress_s`` on the way.

    ``lost`` says that the process died or was given up, ``passing`` that the cause may be gone
    next time: a file that changed meanwhile, a disk that did not answer.
    """

    row: Row | None = None
    checksum: str | None = None
    heads: list[KnownHead] | None = None
    error: str | None = None
    cannot_write: bool = False
    lost: bool = False
    passing: bool = False
    progress_s: float | None = None
