"""The timecode track's frame rate in QuickTime and MP4 files.

FFmpeg reads a timecode track's start but not the rate it counts at, which need not be the
picture's: the rate stands in the track's sample description (QuickTime File Format, "Timecode
sample description": flags, time scale, frame duration, number of frames). Only headers are read.
"""

import io
import os
import struct
from collections.abc import Iterator
from fractions import Fraction

_PATH = (b"mdia", b"minf", b"stbl", b"stsd")
_MAX_ATOMS = 1000  # our choice: a damaged file of countless atoms must not hold us up


def timecode_rate(file: io.FileIO) -> Fraction | None:
    """Return frames a second of the first timecode track, or ``None`` when there is none."""
    size = os.fstat(file.fileno()).st_size
    for name, start, end in atoms(file, 0, size):
        if name != b"moov":
            continue
        for inner, inner_start, inner_end in atoms(file, start, end):
            if inner == b"trak":
                rate = _track_rate(file, inner_start, inner_end)
                if rate is not None:
                    return rate
    return None


def _track_rate(file: io.FileIO, start: int, end: int) -> Fraction | None:
    for wanted in _PATH:
        for name, inner_start, inner_end in atoms(file, start, end):
            if name == wanted:
                start, end = inner_start, inner_end
                break
        else:
            return None
    # stsd: version and flags, number of entries; the entry: size, format, 6 bytes reserved,
    # data reference; for 'tmcd' 4 bytes reserved, flags, time scale, frame duration.
    body = _read(file, start, 48)
    if len(body) < 40 or body[12:16] != b"tmcd":
        return None
    scale, duration = struct.unpack(">II", body[32:40])
    return Fraction(scale, duration) if scale and duration else None


def atoms(
    file: io.FileIO, start: int, end: int, most: int = _MAX_ATOMS
) -> Iterator[tuple[bytes, int, int]]:
    """Yield name, start and end of the body of each atom between two places."""
    for _ in range(most):
        header = _read(file, start, 16) if start + 8 <= end else b""
        if len(header) < 8:
            return
        size, name = struct.unpack(">I4s", header[:8])
        body = start + 8
        if size == 1 and len(header) == 16:
            size, body = struct.unpack(">Q", header[8:])[0], start + 16
        elif size == 0:
            size = end - start
        if size < body - start:
            return
        yield name, body, min(start + size, end)
        start += size


def _read(file: io.FileIO, position: int, size: int) -> bytes:
    try:
        return os.pread(file.fileno(), size, position)
    except OSError:
        return b""
