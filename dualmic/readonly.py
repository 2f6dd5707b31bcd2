"""Opening sources without leaving a trace on them.

A memory card is often the only copy there is, so a source is opened with ``O_RDONLY`` and nothing
else, its access time is left alone where the system lets us, and no report may be written beside
it.
"""

import io
import os
from pathlib import Path

from dualmic.errors import RecordingError, ReportError


def open_read_only(path: Path) -> io.FileIO:
    """Open a file for reading, without touching its access time where the system allows that.

    Raises:
        RecordingError: no such file, a folder, an empty file, or one that may not be read.

    """
    if path.is_dir():
        raise RecordingError(f"{path} is a folder, not a recording: give one of the files in it.")
    if path.exists() and not path.is_file():  # a pipe would wait for ever, a device has no end
        raise RecordingError(f"{path} is not a file that holds a recording.")
    flags = os.O_RDONLY | getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)
    try:
        try:
            descriptor = os.open(path, flags | getattr(os, "O_NOATIME", 0))
        except PermissionError:
            # Linux grants O_NOATIME to the file's owner alone (open(2)).
            descriptor = os.open(path, flags)
    except FileNotFoundError:
        raise RecordingError(f"There is no file {path}: check the name and the folder.") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise RecordingError(f"Cannot read {path}: {reason}.") from error
    file = io.FileIO(descriptor, "r")
    if os.fstat(descriptor).st_size == 0:
        file.close()
        raise RecordingError(f"{path} is empty: there is no recording in it.")
    read_ahead(file, False)
    return file


def read_ahead(file: io.FileIO, wanted: bool) -> None:
    """Let the system read ahead or not.

    It is off from the first look at a file on: once Linux has begun to read ahead, it goes on
    through the picture of a camera file of which only the sound is wanted.
    """
    if hasattr(os, "posix_fadvise"):
        advice = os.POSIX_FADV_NORMAL if wanted else os.POSIX_FADV_RANDOM
        os.posix_fadvise(file.fileno(), 0, 0, advice)


def refuse_inside(folder: Path, source: Path) -> None:
    """Refuse to write into ``folder`` when it lies inside the checked folder ``source``.

    ``source`` may be a file too: then its own folder may hold reports, for a single recording is
    often checked from the folder it was copied to, but a folder being checked as a whole may not.

    Raises:
        ReportError: when ``folder`` is ``source`` or lies inside it.

    """
    inside, outer = folder.resolve(), source.resolve()
    if source.is_dir() and (inside == outer or outer in inside.parents):
        raise ReportError(
            f"Reports cannot go to {folder}: it lies inside {source}, which is being checked and "
            "must not be written to. Choose a folder elsewhere."
        )
