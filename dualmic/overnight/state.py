"""What is known of a day between two runs, and the lock that keeps two runs apart.

Everything lies in ``.day`` inside the report folder: one small file a take, written whole or not
at all, so that a run that was killed leaves nothing that has to be mended.
"""

import contextlib
import hashlib
import os
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import msgspec

import dualmic
from dualmic.errors import ReportError
from dualmic.readers.filereader import FileHead
from dualmic.report.atomic import write_files
from dualmic.spec import Spec
from dualmic.take import CheckOptions

FOLDER = ".day"


class Row(msgspec.Struct, frozen=True):
    """One take on the day's page. ``status`` is done, failed (with ``reason``) or copy.

    ``speech_s`` is minutes' worth of speech by role; ``kinds`` counts problems by
    ``"kind microphone"``; ``plot`` holds 0 to 99 a column for each microphone, 99 at full scale.
    """

    key: str
    name: str
    files: list[str]
    status: str = "done"
    reason: str | None = None
    verdict: str | None = None
    headline: str = ""
    tone: str = "none"
    failed: bool = False
    deliveries: dict[str, str] = {}
    first_problem: str | None = None
    at_risk: int = 0
    duration_s: float = 0.0
    recorded_at: str | None = None
    speech_s: dict[str, float] = {}
    kinds: dict[str, int] = {}
    plot: dict[str, list[int]] = {}
    page: str | None = None
    copy_of: str | None = None
    notes: list[str] = []


class TakeState(msgspec.Struct, frozen=True):
    """A finished take: what was measured (``identity``: path, bytes, time), with what, the result.

    ``written`` holds the bytes of each report file, so that a damaged report is noticed.
    """

    identity: list[tuple[str, int, int]]
    measured_with: str
    drawn_with: str
    checksum: str | None
    written: dict[str, int]
    row: Row


class KnownHead(msgspec.Struct, frozen=True):
    """What a file said of itself when it had this size and time."""

    size_bytes: int
    changed_ns: int
    head: FileHead


def _to_plain(value: Any) -> Any:
    return str(value)


def _from_plain(kind: type, value: Any) -> Any:
    return kind(value)


class DayState:
    """The memory of one report folder."""

    def __init__(self, out: Path) -> None:
        self.folder = out / FOLDER

    @contextlib.contextmanager
    def locked(self) -> Iterator[None]:
        """Hold the report folder for this run; the system lets go of it however the run ends.

        Raises:
            ReportError: another run holds it, or nothing can be written there.

        """
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            file = (self.folder / "lock").open("ab")
        except OSError as error:
            raise ReportError(
                f"Cannot write to {self.folder.parent}: {error.strerror}. "
                "Choose a folder you can write to."
            ) from error
        with file:
            try:
                _lock(file.fileno())
            except OSError:
                raise ReportError(
                    f"Another run is writing to {self.folder.parent}: wait until it has ended, "
                    "or choose another folder."
                ) from None
            yield

    def take(self, key: str) -> TakeState | None:
        """Return what is known of a take; ``None`` when nothing is, or it cannot be read."""
        try:
            return msgspec.json.decode((self.folder / f"{key}.json").read_bytes(), type=TakeState)
        except (OSError, msgspec.DecodeError):
            return None

    def heads(self) -> dict[str, KnownHead]:
        """Return what files said of themselves, by path."""
        kind = dict[str, KnownHead]
        return self._read("heads", kind) or {}

    def keep_heads(self, heads: dict[str, KnownHead]) -> None:
        """Remember what files said of themselves."""
        self._write("heads", heads)

    def checksums(self) -> dict[str, str]:
        """Return checksums of sound by identity."""
        return self._read("checksums", dict[str, str]) or {}

    def keep_checksums(self, checksums: dict[str, str]) -> None:
        """Remember checksums of sound."""
        self._write("checksums", checksums)

    def _read(self, name: str, kind: Any) -> Any:
        try:
            data = (self.folder / f"{name}.index").read_bytes()
            return msgspec.json.decode(data, type=kind, dec_hook=_from_plain)
        except (OSError, msgspec.DecodeError):
            return None

    def _write(self, name: str, value: Any) -> None:
        data = msgspec.json.encode(value, enc_hook=_to_plain)
        write_files(self.folder, {f"{name}.index": data})


def _lock(descriptor: int) -> None:
    try:
        import fcntl
    except ImportError:  # Windows
        import msvcrt

        msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]
    else:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)


def write_take(folder: Path, key: str, state: TakeState) -> None:
    """Write what is known of a take, whole or not at all."""
    write_files(folder, {f"{key}.json": msgspec.json.encode(state)})


def is_whole(out: Path, state: TakeState) -> bool:
    """Say whether every file of the take's report is there, with the bytes it was written with."""
    try:
        # Ten files a take: without Path objects this takes half the time.
        return all(
            os.stat(f"{out}/{name}").st_size == size  # noqa: PTH116
            for name, size in state.written.items()
        )
    except OSError:
        return False


def identity(paths: Sequence[Path]) -> list[tuple[str, int, int]]:
    """Return path, size and time of each file, as now.

    Raises:
        OSError: a file is not there.

    """
    found = []
    for path in paths:
        status = path.stat()
        found.append((str(path), status.st_size, status.st_mtime_ns))
    return found


def measured_with(paths: Sequence[Path], options: CheckOptions, specs: Sequence[Spec]) -> str:
    """Return a digest of all that changes what is measured and judged in this take.

    Of the rules for channels only the one that fits the take counts, so that a new rule redoes
    the takes it fits and no others.
    """
    settings = options.settings
    rules = [rule for rule in settings.roles if any(rule.matches(path.name) for path in paths)]
    parts = [
        dualmic.__version__,
        list(specs),
        options.one_mic,
        options.interviewer,
        options.subject,
        options.joined,
        settings.mains_hz,
        settings.timecode_rate,
        settings.tracks,
        rules[:1],
    ]
    return hashlib.sha256(msgspec.json.encode(parts)).hexdigest()


def drawn_with(options: CheckOptions) -> str:
    """Return a digest of what is printed on reports and changes no number."""
    parts = [dualmic.__version__, options.settings.people, options.settings.marks]
    return hashlib.sha256(msgspec.json.encode(parts)).hexdigest()
