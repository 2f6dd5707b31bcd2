"""FLAC, AIFF, W64, CAF, Ogg and coded WAV files, read with libsndfile."""

import io
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray

from dualmic import pcm
from dualmic.errors import RecordingError
from dualmic.filereader import FileEnd, FileHead, FileReader, FileTrack, check_shape, shortfall

# libsndfile's name of a coding: bits, the type it is read as.
_CODINGS = {
    "PCM_S8": (8, "int16"),
    "PCM_U8": (8, "int16"),
    "PCM_16": (16, "int16"),
    "PCM_24": (24, "int32"),
    "PCM_32": (32, "int32"),
    "ALAC_16": (16, "int16"),
    "ALAC_20": (20, "int32"),
    "ALAC_24": (24, "int32"),
    "ALAC_32": (32, "int32"),
    "FLOAT": (32, "float32"),
    "DOUBLE": (64, "float64"),
}
_MAX_FRAMES = 1 << 62  # libsndfile's own word for "not known"


class SoundFileReader(FileReader):
    """Reads one file through libsndfile; see :func:`open_soundfile`."""

    def __init__(self, path: Path, size_bytes: int, sound: soundfile.SoundFile) -> None:
        """Take over an opened ``sound``."""
        self._sound, self._frames, self._broken = sound, 0, False
        bits, self._type = _CODINGS.get(sound.subtype, (None, "float32"))
        is_float = self._type in ("float32", "float64") and bits is not None
        self._sum = None if bits is None else pcm.Checksum(bits)
        known = 0 < sound.frames < _MAX_FRAMES
        recorded_at = sound.copy_metadata().get("date", "")
        self.head = FileHead(
            path=path,
            size_bytes=size_bytes,
            container=sound.format,
            codec=_codec(sound.format, bits, is_float),
            sample_rate_hz=sound.samplerate,
            bit_depth=bits,
            is_float=is_float,
            is_lossy=bits is None,
            tracks=tuple(FileTrack(1) for _ in range(sound.channels)),
            promised_frames=sound.frames if known else None,
            recorded_at=recorded_at or None,
        )

    def blocks(self, block_frames: int) -> Iterator[NDArray[np.float32]]:
        """Yield the samples, as far as the decoder gets."""
        while True:
            try:
                native: Any = self._sound.read(block_frames, dtype=self._type, always_2d=True)
            except (soundfile.SoundFileError, RuntimeError, OSError):
                self._broken = True
                return
            if not len(native):
                return
            if self._sum is not None:
                self._sum.push(native)
            self._frames += len(native)
            yield pcm.to_float32(native)

    def end(self) -> FileEnd:
        """Return how it ended."""
        truncated, missing = shortfall(self.head.promised_frames, self._frames)
        digest = None if self._sum is None else self._sum.hexdigest()
        return FileEnd(self._frames, digest, truncated or self._broken, missing)

    def close(self) -> None:
        """Let go of the file."""
        self._sound.close()


def _codec(container: str, bits: int | None, is_float: bool) -> str:
    if container == "OGG":
        return "Vorbis or Opus"
    if bits is None:
        return "compressed"
    name = "FLAC" if container == "FLAC" else "PCM"
    return f"{name} {bits} bit{' float' if is_float else ''}"


def open_soundfile(path: Path, file: io.FileIO) -> SoundFileReader:
    """Open with libsndfile; takes over ``file`` when it succeeds.

    Raises:
        RecordingError: when libsndfile cannot read it.

    """
    file.seek(0)
    size_bytes = os.fstat(file.fileno()).st_size
    try:
        sound = soundfile.SoundFile(os.dup(file.fileno()), closefd=True)
    except (soundfile.SoundFileError, RuntimeError, TypeError) as error:
        reason = getattr(error, "error_string", str(error)).rstrip(".")
        raise RecordingError(f"{path} cannot be read as sound: {reason}.") from error
    try:
        check_shape(path, sound.samplerate, sound.channels)
    except RecordingError:
        sound.close()
        raise
    file.close()
    return SoundFileReader(path, size_bytes, sound)
