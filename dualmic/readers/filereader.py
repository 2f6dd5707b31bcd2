"""What every reader of one file offers: what the file says of itself, its samples, how it ended."""

from abc import ABC, abstractmethod
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from dualmic.errors import RecordingError
from dualmic.record import Timecode

MIN_RATE_HZ, MAX_RATE_HZ = 8_000, 192_000  # our choice: what interview recorders produce
MAX_CHANNELS = 64  # our choice: more is a damaged header, and memory grows with it


MAX_TEXT = 500  # our choice: characters of a free text worth showing


@dataclass(frozen=True)
class FileTrack:
    """One channel of a file: the track it lies in (from 1) and the name the file gives it."""

    track: int
    name: str | None = None


@dataclass(frozen=True)
class FileHead:
    """What one file says of itself. ``promised_frames`` is ``None`` when it does not say."""

    path: Path
    size_bytes: int
    container: str
    codec: str
    sample_rate_hz: int
    bit_depth: int | None
    is_float: bool
    is_lossy: bool
    tracks: tuple[FileTrack, ...]
    promised_frames: int | None
    timecode: Timecode | None = None
    recorded_at: str | None = None
    texts: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Gap:
    """A stretch the file has no samples for; it was filled with silence. ``channels`` from 1."""

    file: int
    channels: tuple[int, ...]
    start_s: float
    duration_s: float


@dataclass(frozen=True)
class FileEnd:
    """How reading one file ended. ``missing_frames`` is 0 or the part that was promised."""

    frames: int
    audio_md5: str | None
    truncated: bool
    missing_frames: int
    gaps: tuple[Gap, ...] = ()
    notes: tuple[str, ...] = ()


class FileReader(ABC):
    """A file opened for reading. Blocks come in order, each once; then :meth:`end` may be asked."""

    head: FileHead

    @abstractmethod
    def blocks(self, block_frames: int) -> Iterator[NDArray[np.float32]]:
        """Yield float32 ``(frames, channels)``: exactly ``block_frames`` each, the last fewer."""

    @abstractmethod
    def end(self) -> FileEnd:
        """Return how it ended; only after the last block."""

    @abstractmethod
    def close(self) -> None:
        """Let go of the file."""


def check_shape(path: Path, sample_rate_hz: int, channels: int) -> None:
    """Refuse what cannot be measured.

    Raises:
        RecordingError: no channel, too many, or a sample rate outside 8 to 192 kHz.

    """
    if channels < 1:
        raise RecordingError(f"There is no sound in {path}.")
    if channels > MAX_CHANNELS:
        raise RecordingError(
            f"{path} claims {channels} channels; up to {MAX_CHANNELS} can be read: is it damaged?"
        )
    if not MIN_RATE_HZ <= sample_rate_hz <= MAX_RATE_HZ:
        raise RecordingError(
            f"{path} has a sample rate of {sample_rate_hz} Hz; "
            f"{MIN_RATE_HZ} to {MAX_RATE_HZ} Hz can be read."
        )


def shortfall(promised: int | None, frames: int, tolerance: int = 0) -> tuple[bool, int]:
    """Return whether a file was cut short, and how many promised frames are missing."""
    missing = 0 if promised is None else max(0, promised - frames)
    return (missing > tolerance, missing if missing > tolerance else 0)


def path_text(path: Path | str) -> str:
    """Return a path as text that any file can hold: bytes that are no UTF-8 are written out."""
    return str(path).encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")


def plain_text(text: str) -> str:
    """Return a file's own words as one line of at most 500 characters that is safe to show.

    Characters that would move the cursor, change colours or turn the reading direction are left
    out; the two joiners that some scripts need stay.
    """
    kept = (char if char.isprintable() or char in "\u200c\u200d" else " " for char in text)
    return " ".join("".join(kept).split())[:MAX_TEXT]
