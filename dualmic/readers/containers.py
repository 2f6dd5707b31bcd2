"""Camera files: MOV, MP4, MXF, Matroska and other containers, opened through PyAV (FFmpeg).

FFmpeg guesses formats, and some formats are lists that make it open other files or addresses:
only the formats named here are let in, and only the file itself is read.
"""

import io
from pathlib import Path
from typing import Any

import av

from dualmic.errors import RecordingError
from dualmic.readers.containerreader import ContainerReader
from dualmic.readers.matroska import EBML_HEADER, SoundOnly
from dualmic.readers.outerbox import UpTo, cut_fragment, outer_box
from dualmic.readonly import read_ahead

# FFmpeg's name of a format: the name people use.
_FORMATS = {
    "mov": "MP4",
    "mxf": "MXF",
    "matroska": "Matroska",
    "mpegts": "MPEG transport stream",
    "mpeg": "MPEG programme stream",
    **{name: name.upper() for name in ("avi", "asf", "dv", "gxf", "wav", "w64", "aiff", "au")},
    **{name: name.upper() for name in ("caf", "flac", "mp3", "aac")},
    "ogg": "Ogg",
}
_MOV_STARTS = (b"ftyp", b"wide", b"mdat", b"free", b"skip", b"moov")
_MXF_START = b"\x06\x0e\x2b\x34"  # the start of every SMPTE universal label
_MOV_SUFFIXES = {".mov": "MOV", ".m4a": "M4A"}
# What lies between two pieces of sound is picture: a small buffer reads little of it, and where
# everything is read a large one asks seldom. (our choice)
_SMALL_BUFFER, _LARGE_BUFFER = 1 << 12, 1 << 18
_OPTIONS = {
    "format_whitelist": ",".join(_FORMATS) + ",mp4,m4a,3gp,3g2,mj2,webm",
    "protocol_whitelist": "none",
}
# Words that are no UTF-8 must not keep a recording from being read. PyAV lets them through from 19
# on, bytes as lone surrogates, which nobody is shown (``plain_text``); before, it had to be asked.
_LENIENT: dict[str, Any] = (
    {} if int(av.__version__.split(".")[0]) >= 19 else {"metadata_errors": "replace"}
)


def open_container(path: Path, file: io.FileIO, rate: str) -> ContainerReader:
    """Open a container file.

    Args:
        path: for messages.
        file: opened for reading; taken over.
        rate: frames a second for a timecode that comes without one.

    Raises:
        RecordingError: when it is no known container, holds no sound, or was never finished.

    """
    file.seek(0)
    start = file.read(1 << 12)
    file.seek(0)
    # FFmpeg skips what is discarded in these, or SoundOnly does; in others it reads on.
    is_matroska = start[:4] == EBML_HEADER
    is_avi = start[:4] == b"RIFF" and start[8:12] == b"AVI "
    skips = start[4:8] in _MOV_STARTS or start[:4] == _MXF_START or is_matroska or is_avi
    read_ahead(file, not skips)
    source: Any = SoundOnly(file) if is_matroska else file
    if start[4:8] == b"ftyp" and (end := cut_fragment(file)):
        source = UpTo(file, end)
    try:
        container: Any = av.open(
            source,
            buffer_size=_SMALL_BUFFER if skips else _LARGE_BUFFER,
            options=_OPTIONS,
            **_LENIENT,
        )
    except (av.FFmpegError, ValueError, EOFError, OSError) as error:
        raise RecordingError(_reason(path, start)) from error
    try:
        if not container.streams.audio:
            raise RecordingError(f"There is no sound in {path}.")
        read_ahead(file, not (skips and container.streams.video))
        kind = _container_name(path, container.format.name)
        return ContainerReader(path, file, container, kind, rate, outer_box(file))
    except BaseException:
        container.close()
        raise


def _reason(path: Path, start: bytes) -> str:
    """Say what a file that cannot be opened seems to be."""
    if start[:3] == b"\xff\xd8\xff" or start[:4] in (b"\x89PNG", b"GIF8", b"II*\0", b"MM\0*"):
        return f"{path} is a picture, not a recording."
    if start[4:8] in _MOV_STARTS:
        return (
            f"{path} was never finished: the index that says where its sound lies is missing or "
            "damaged. Put the card back into the camera, which may be able to repair the clip."
        )
    if _is_text(start):
        return f"{path} is a text file, not a recording."
    return f"{path} is not a recording that can be read: its form is unknown or its start damaged."


def _is_text(start: bytes) -> bool:
    try:
        start[:-3].decode("utf-8")  # the last letter may be cut
    except UnicodeDecodeError:
        return False
    return b"\0" not in start


def _container_name(path: Path, formats: str) -> str:
    name = formats.split(",")[0]
    if name == "mov":
        return _MOV_SUFFIXES.get(path.suffix.lower(), "MP4")
    return _FORMATS.get(name, name)
