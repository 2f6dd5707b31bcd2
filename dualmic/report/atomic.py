"""Files that appear whole or not at all.

Every file of a set is first written beside its place under a hidden temporary name and flushed to
the disk; only when all of them are safe are they moved into place, in the order given. A full
disk, a crash or Ctrl-C therefore never leaves half a file under a real name, and the temporary
names are removed again. Those of a process that was killed go at the next write an hour later.
"""

import contextlib
import os
import secrets
import time
from collections.abc import Iterable, Mapping
from pathlib import Path

from dualmic.errors import ReportError

_PREFIX, _SUFFIX = ".dualmic-", ".part"
#: Our choice: no report takes an hour to write, so an older temporary file has no owner.
_STALE_AFTER_S = 3600.0


def write_files(
    folder: Path, files: Mapping[str, bytes], *, protected: Iterable[Path] = ()
) -> list[Path]:
    """Write ``files`` (name to content) into ``folder``, all of them or none.

    Args:
        folder: made when it is not there.
        files: written, then moved into place in this order.
        protected: files that must never be replaced, such as the recordings themselves.

    Returns:
        The paths written, in order.

    Raises:
        ReportError: when the folder cannot be made or written, the disk is full, or a file would
            replace a protected one.

    """
    targets = [folder / name for name in files]
    _refuse_protected(targets, protected)
    try:
        made = not folder.exists()
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise _cannot_write(folder, error) from error
    waiting: list[Path] = []
    try:
        _remove_stale(folder)
        for content in files.values():
            waiting.append(folder / f"{_PREFIX}{secrets.token_hex(8)}{_SUFFIX}")
            _write_flushed(waiting[-1], content)
        for temporary, target in zip(waiting, targets, strict=True):
            temporary.replace(target)
        _flush_folder(folder)
    except OSError as error:
        raise _cannot_write(folder, error) from error
    finally:
        for temporary in waiting:
            with contextlib.suppress(OSError):
                temporary.unlink()
        if made:
            with contextlib.suppress(OSError):  # goes only when nothing is in it
                folder.rmdir()
    return targets


def _refuse_protected(targets: list[Path], protected: Iterable[Path]) -> None:
    for path in protected:
        for target in targets:
            with contextlib.suppress(OSError):
                if target.samefile(path):
                    raise ReportError(
                        f"The report would replace the recording {path}. Choose another folder."
                    )


def _write_flushed(path: Path, content: bytes) -> None:
    with path.open("xb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def _flush_folder(folder: Path) -> None:
    """Make the moves last through a power cut, where the system lets a folder be flushed."""
    with contextlib.suppress(OSError, AttributeError):
        descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def _remove_stale(folder: Path) -> None:
    for path in folder.glob(f"{_PREFIX}*{_SUFFIX}"):
        with contextlib.suppress(OSError):
            if time.time() - path.stat().st_mtime > _STALE_AFTER_S:
                path.unlink()


def _cannot_write(folder: Path, error: OSError) -> ReportError:
    reason = error.strerror or str(error)
    return ReportError(
        f"Cannot write the report to {folder}: {reason}. Choose a folder you can write to."
    )
