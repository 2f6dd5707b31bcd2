"""Whether a file was closed properly, by the box that holds everything in it.

Matroska and AVI state the size of their outermost box. MXF states in its first partition whether
the file was closed, or ends in a footer partition that was written when it was.
"""

import io
import os
from typing import Literal

Box = Literal["whole", "cut", "never closed"]

_EBML_HEADER, _SEGMENT = b"\x1a\x45\xdf\xa3", b"\x18\x53\x80\x67"  # RFC 8794, RFC 9559
# SMPTE ST 377-1, partition packs: header (02) or footer (04), then the status.
_MXF_PARTITION = bytes.fromhex("060e2b34 02050101 0d010201 01")
_MXF_HEADER, _MXF_FOOTER = _MXF_PARTITION + b"\x02", _MXF_PARTITION + b"\x04"
_MXF_OPEN = (1, 3)
_TAIL_BYTES = 1 << 18  # our choice: a footer holds the index tables too


def outer_box(file: io.FileIO) -> Box:
    """Return what a file says of its own end; ``whole`` where it says nothing."""
    size_bytes = os.fstat(file.fileno()).st_size
    start = os.pread(file.fileno(), 1 << 12, 0)
    end: int | None = size_bytes
    if start[:4] == b"RIFF" and start[8:12] == b"AVI ":
        length = int.from_bytes(start[4:8], "little")
        end = 8 + length if length else None
    elif start[:4] == _EBML_HEADER:
        place, header_bytes = _length(start, 4)
        place += header_bytes or 0
        if start[place : place + 4] == _SEGMENT:
            body, length_bytes = _length(start, place + 4)
            end = None if length_bytes is None else body + length_bytes
    elif start.startswith(_MXF_HEADER) and start[14] in _MXF_OPEN:
        tail = os.pread(file.fileno(), _TAIL_BYTES, max(0, size_bytes - _TAIL_BYTES))
        end = size_bytes if _MXF_FOOTER in tail else None
    if end is None:
        return "never closed"
    return "cut" if end > size_bytes else "whole"


def _length(data: bytes, place: int) -> tuple[int, int | None]:
    """Read an EBML length: where it ends and its value; all ones mean not known (RFC 8794)."""
    first = data[place] if place < len(data) else 0
    width = 9 - first.bit_length()
    if not first or place + width > len(data):
        return len(data), 0
    value = int.from_bytes(data[place : place + width], "big") & ((1 << 7 * width) - 1)
    return place + width, None if value == (1 << 7 * width) - 1 else value
