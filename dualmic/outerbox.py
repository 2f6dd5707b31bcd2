"""Whether a file is shorter than the box that holds everything in it says.

Matroska and AVI do not state each track's length, but the size of their outermost box.
"""

from typing import Literal

Box = Literal["whole", "cut", "never closed"]

_EBML_HEADER, _SEGMENT = b"\x1a\x45\xdf\xa3", b"\x18\x53\x80\x67"  # RFC 8794, RFC 9559


def outer_box(start: bytes, size_bytes: int) -> Box:
    """Return what a file's first bytes say about its size; ``whole`` where they say nothing."""
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
