"""FLAC, AIFF, W64, CAF, Ogg and coded WAV files, read with libsndfile."""

import io
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray

from dualmic.errors import RecordingError
from dualmic.readers import pcm, riff
from dualmic.readers.filereader import (
    FileEnd,
    FileHead,
    FileReader,
    FileTrack,
    check_shape,
    shortfall,
)
from dualmic.readers.outerbox import Box, outer_box

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
# W64's names are GUIDs: four letters and these twelve bytes.
_W64_TAIL = bytes.fromhex("f3acd3118cd100c04f8edb8a")
_W64_DATA, _W64_FORMAT = b"data" + _W64_TAIL, b"fmt " + _W64_TAIL
_MAX_FRAMES = 1 << 62  # libsndfile's own word for "not known"


class SoundFileReader(FileReader):
    """Reads one file through libsndfile; see :func:`open_soundfile`."""

    def __init__(
        self,
        path: Path,
        size_bytes: int,
        sound: soundfile.SoundFile,
        promised: int | None,
        box: Box,
    ) -> None:
        """Take over an opened ``sound``; ``promised`` is the header's own number of frames."""
        self._sound, self._frames, self._broken, self._box = sound, 0, False, box
        bits, self._type = _CODINGS.get(sound.subtype, (None, "float32"))
        is_float = self._type in ("float32", "float64") and bits is not None
        self._sum = None if bits is None else pcm.Checksum(bits)
        if promised is None and 0 < sound.frames < _MAX_FRAMES:
            promised = sound.frames
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
            promised_frames=promised,
            recorded_at=riff.iso_time(sound.copy_metadata().get("date", "")),
        )

    def blocks(self, block_frames: int) -> Iterator[NDArray[np.float32]]:
        """Yield the samples, as far as the decoder gets."""
        while not self._broken:
            native: Any = np.empty((block_frames, self._sound.channels), self._type)
            try:
                native = self._sound.read(out=native)
            except (soundfile.SoundFileError, RuntimeError, OSError):
                self._broken = True
                native = native[: self._read_before_error(block_frames)]
            if not len(native):
                return
            if self._sum is not None:
                self._sum.push(native)
            self._frames += len(native)
            yield pcm.to_float32(native)

    def _read_before_error(self, block_frames: int) -> int:
        """Return how much of the block was filled: a cut FLAC file's last whole samples."""
        try:
            return max(0, min(block_frames, self._sound.tell() - self._frames))
        except (soundfile.SoundFileError, RuntimeError):
            return 0

    def end(self) -> FileEnd:
        """Return how it ended."""
        truncated, missing = shortfall(self.head.promised_frames, self._frames)
        digest = None if self._sum is None else self._sum.hexdigest()
        truncated = truncated or self._broken or self._box != "whole"
        return FileEnd(self._frames, digest, truncated, missing)

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
    size_bytes, promised = os.fstat(file.fileno()).st_size, _promised_frames(file)
    box = outer_box(file)
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
    return SoundFileReader(path, size_bytes, sound, promised, box)


def _promised_frames(file: io.FileIO) -> int | None:
    """Return the frames an AIFF or W64 header states; libsndfile tells only what is there.

    AIFF: COMM holds channels (16 bits) and frames (32 bits), big-endian. W64: chunks begin with 16
    bytes of name and 64 bits of length, the header's 24 bytes included.
    """
    start = os.pread(file.fileno(), 4096, 0)
    if start[:4] == b"FORM":
        place = start.find(b"COMM")
        if 0 < place <= len(start) - 14:
            return int.from_bytes(start[place + 10 : place + 14], "big") or None
    if start[:4] == b"riff":
        data, form = start.find(_W64_DATA), start.find(_W64_FORMAT)
        if data > 0 and 0 < form <= len(start) - 38:
            length = int.from_bytes(start[data + 16 : data + 24], "little") - 24
            align = int.from_bytes(start[form + 36 : form + 38], "little")
            return length // align if align and 0 < length < _MAX_FRAMES else None
    return None
