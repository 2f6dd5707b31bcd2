"""What is known of a day between two runs, and the lock that keeps two runs apart.

Everything lies in ``.day`` inside the report folder: one small file a take, written whole or not
at all, so that a run that was killed leaves nothing that has to be mended. For private reports
names, paths and times are kept as keyed digests only; the key lies there too, so ``.day`` is not to
be handed on.
"""

import contextlib
import hashlib
import os
import secrets
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import msgspec

import dualmic
from dualmic.errors import ReportError
from dualmic.readers.filereader import FileHead, path_text
from dualmic.report.atomic import write_files
from dualmic.spec import Spec
from dualmic.take import CheckOptions

FOLDER = ".day"
_SALT = "salt"


class Row(msgspec.Struct, frozen=True):
    """One take on the day's page. ``status`` is done, failed (with ``reason``) or copy.

    ``speech_s`` is minutes' worth of speech by role; ``kinds`` counts problems by
    ``"kind microphone"``; ``plot`` holds a byte from 0 to 99 a column for each microphone, 99 at
    full scale.
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
    plot: dict[str, bytes] = {}
    page: str | None = None
    copy_of: str | None = None
    notes: list[str] = []


class TakeState(msgspec.Struct, frozen=True):
    """What became of a take: what was measured (``identity``), with what, and the result.

    ``written`` holds the bytes of each report file, so that a damaged report is noticed. ``lost``
    counts how often the process that measured it was lost or given up.
    """

    identity: "Identity"
    measured_with: str
    drawn_with: str
    checksum: str | None
    written: dict[str, int]
    row: Row
    lost: int = 0


class KnownHead(msgspec.Struct, frozen=True):
    """What a file said of itself when it had this size and time.

    Without a ``head`` it has no sound, or cannot be opened, and ``error`` says why; ``passing`` and
    ``lost`` as in an answer.
    """

    size_bytes: int
    changed_ns: int
    head: FileHead | None = None
    error: str | None = None
    passing: bool = False
    lost: int = 0


class _Heads(msgspec.Struct, frozen=True):
    """Heads by path, and what read them: another version or frame rate may read them otherwise."""

    read_with: str
    files: dict[str, KnownHead]


Identity = list[tuple[str, int, int]]
"""Path, bytes and time of each file of a take."""


def to_plain(value: Any) -> Any:
    """Encode paths for msgspec: a letter for each byte, for not all are UTF-8."""
    return os.fsencode(value).decode("latin-1")


def from_plain(kind: type, value: Any) -> Any:
    """Decode paths for msgspec."""
    return kind(os.fsdecode(value.encode("latin-1")))


class DayState:
    """The memory of one report folder; ``salt`` is empty unless its reports are private."""

    def __init__(self, out: Path) -> None:
        self.folder = out / FOLDER
        self.salt = self._salt()

    @contextlib.contextmanager
    def locked(self, private: bool = False) -> Iterator[None]:
        """Hold the report folder for this run; the system lets go of it however the run ends.

        Raises:
            ReportError: another run holds it, nothing can be written there, or it holds reports
                with names and private ones are asked for, or the other way round.

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
            self._settle_privacy(private)
            yield

    def _settle_privacy(self, private: bool) -> None:
        """Keep reports with names and private ones in different folders."""
        is_new = next(self.folder.glob("*.*"), None) is None
        if private and is_new and not self.salt:
            write_files(self.folder, {_SALT: secrets.token_bytes(32)})
            self.salt = self._salt()
        if bool(self.salt) != private:
            held = "reports with names" if private else "private reports"
            raise ReportError(
                f"{self.folder.parent} holds {held}: choose another folder, so that the two do "
                "not get mixed up."
            )

    def _salt(self) -> bytes:
        try:
            return (self.folder / _SALT).read_bytes()
        except OSError:
            return b""

    def digest(self, text: str) -> str:
        """Return 24 letters that stand for a text; with the salt, nobody can try names on them."""
        data = text.encode("utf-8", "surrogateescape")
        if self.salt:
            return hashlib.blake2b(data, key=self.salt, digest_size=12).hexdigest()
        return hashlib.sha256(data).hexdigest()[:24]

    def identity(self, files: Sequence[tuple[Path, int, int]]) -> Identity:
        """Return the identity of files from their paths, bytes and times."""
        if not self.salt:
            return [(path_text(path), size, changed) for path, size, changed in files]
        return [(self.digest(f"{path} {changed}"), size, 0) for path, size, changed in files]

    def is_there(self) -> bool:
        """Say whether the memory is still where it was: a disk may have been taken away."""
        return self.folder.is_dir()

    def take(self, key: str) -> TakeState | None:
        """Return what is known of a take; ``None`` when nothing is, or it cannot be read."""
        try:
            return msgspec.json.decode((self.folder / f"{key}.json").read_bytes(), type=TakeState)
        except (OSError, msgspec.DecodeError):
            return None

    def heads(self, read_with: str) -> dict[str, KnownHead]:
        """Return what files said of themselves to such a reader, by path."""
        known = self._read("heads", _Heads)
        return known.files if known and known.read_with == read_with else {}

    def keep_heads(self, heads: dict[str, KnownHead], read_with: str) -> None:
        """Remember what files said of themselves; nothing of private takes."""
        if not self.salt:
            self._write("heads", _Heads(read_with, heads))

    def checksums(self) -> dict[str, str]:
        """Return checksums of sound by identity."""
        return self._read("checksums", dict[str, str]) or {}

    def keep_checksums(self, checksums: dict[str, str]) -> None:
        """Remember checksums of sound."""
        self._write("checksums", checksums)

    def _read(self, name: str, kind: Any) -> Any:
        try:
            data = (self.folder / f"{name}.index").read_bytes()
            return msgspec.json.decode(data, type=kind, dec_hook=from_plain)
        except (OSError, msgspec.DecodeError):
            return None

    def _write(self, name: str, value: Any) -> None:
        data = msgspec.json.encode(value, enc_hook=to_plain)
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


def stamps(paths: Sequence[Path]) -> list[tuple[Path, int, int]]:
    """Return path, bytes and time of each file, as now.

    Raises:
        OSError: a file is not there.

    """
    found = []
    for path in paths:
        status = path.stat()
        found.append((path, status.st_size, status.st_mtime_ns))
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
