"""Whether a file was closed properly, by the box that holds everything in it.

Matroska and AVI state the size of their outermost box. MXF states in its first partition whether
the file was closed, or ends in a footer partition that was written when it was. A fragmented MP4
is a row of boxes, each with its size. Ogg marks its last page. A transport stream has no end of
its own: a cut shows where its last packet, or the last piece of sound in it, is not whole.
"""

import io
import os
from typing import Literal

from dualmic.readers import quicktime
from dualmic.readers.matroska import EBML_HEADER, ebml_number

Box = Literal["whole", "cut", "never closed"]

_SEGMENT = b"\x18\x53\x80\x67"  # of Matroska, RFC 9559
# SMPTE ST 377-1, partition packs: header (02) or footer (04), then the status.
_MXF_PARTITION = bytes.fromhex("060e2b34 02050101 0d010201 01")
_MXF_HEADER, _MXF_FOOTER = _MXF_PARTITION + b"\x02", _MXF_PARTITION + b"\x04"
_MXF_OPEN = (1, 3)
_OGG_PAGE = b"OggS"  # RFC 3533
_SYNC = 0x47  # of a transport stream's packets, ISO/IEC 13818-1, 2.4.3.2
_SOUND_PIECES = (0xBD, *range(0xC0, 0xE0))  # private (LPCM, AC-3) and audio stream ids, Table 2-22
_FAR, _MOST_FRAGMENTS = 1 << 62, 100_000  # our choice: beyond any file; a day of one a second
_TAIL_BYTES = 1 << 18  # our choice: a footer holds the index tables too


def outer_box(file: io.FileIO) -> Box:
    """Return what a file says of its own end; ``whole`` where it says nothing."""
    size_bytes = os.fstat(file.fileno()).st_size
    start = os.pread(file.fileno(), 1 << 12, 0)
    end: int | None = size_bytes
    if start[:4] == b"RIFF" and start[8:12] == b"AVI ":
        length = int.from_bytes(start[4:8], "little")
        end = 8 + length if length else None
    elif start[:4] == EBML_HEADER:
        place, header_bytes = _length(start, 4)
        place += header_bytes or 0
        if start[place : place + 4] == _SEGMENT:
            body, length_bytes = _length(start, place + 4)
            end = None if length_bytes is None else body + length_bytes
    elif start[4:8] == b"ftyp":
        end = _fragments_end(file, size_bytes)
    elif start[:4] == _OGG_PAGE:
        return "whole" if _ogg_is_ended(file, size_bytes) else "cut"
    elif packet_bytes := _packet_bytes(start):
        return "whole" if _stream_is_whole(file, size_bytes, packet_bytes) else "cut"
    elif start.startswith(_MXF_HEADER) and start[14] in _MXF_OPEN:
        tail = os.pread(file.fileno(), _TAIL_BYTES, max(0, size_bytes - _TAIL_BYTES))
        end = size_bytes if _MXF_FOOTER in tail else None
    if end is None:
        return "never closed"
    return "cut" if end > size_bytes else "whole"


def _fragments_end(file: io.FileIO, size_bytes: int) -> int:
    """Return where the boxes of a fragmented MP4 end; other MP4 files' indexes tell more.

    A fragment is ``moof`` and the ``mdat`` it describes (ISO/IEC 14496-12, 8.8.4).
    """
    name, end, fragmented = b"", 0, False
    for name, _, body_end in quicktime.atoms(file, 0, _FAR, _MOST_FRAGMENTS):
        end = body_end
        fragmented = fragmented or name == b"moof"
    if not fragmented or end == _FAR:  # a box that states no size reaches to the file's end
        return size_bytes
    # Behind the last whole box a part of a box's header may stand.
    return size_bytes + 1 if name == b"moof" or 0 < size_bytes - end < 8 else end


class UpTo(io.RawIOBase):
    """A file as far as ``end``, as :func:`av.open` takes one."""

    def __init__(self, file: io.FileIO, end: int) -> None:
        """Share the position of ``file``."""
        self._file, self._end = file, end

    def readable(self) -> bool:
        """Say that :meth:`read` works."""
        return True

    def seekable(self) -> bool:
        """Say that :meth:`seek` works."""
        return True

    def tell(self) -> int:
        """Return the position."""
        return self._file.tell()

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        """Move the position."""
        if whence == os.SEEK_END:
            return self._file.seek(max(0, self._end + offset))
        return self._file.seek(offset, whence)

    def read(self, size: int = -1) -> bytes:
        """Return what is left up to the end, at most ``size`` bytes."""
        left = max(0, self._end - self._file.tell())
        return self._file.read(left if size < 0 else min(size, left))


def cut_fragment(file: io.FileIO) -> int | None:
    """Return where the last fragment of an MP4 begins whose ``moof`` is cut, else ``None``.

    FFmpeg refuses a file whose last index is cut, though all fragments before it are whole.
    """
    size_bytes = os.fstat(file.fileno()).st_size
    before = 0
    for name, _, end in quicktime.atoms(file, 0, _FAR, _MOST_FRAGMENTS):
        if end > size_bytes:
            return before if name == b"moof" else None
        before = end
    return None


def _ogg_is_ended(file: io.FileIO, size_bytes: int) -> bool:
    """Whether the last page is whole and bears the mark of the last one (RFC 3533, section 6)."""
    tail = os.pread(file.fileno(), _TAIL_BYTES, max(0, size_bytes - _TAIL_BYTES))
    place = tail.rfind(_OGG_PAGE)
    if place < 0 or place + 27 > len(tail):
        return False
    segments = tail[place + 27 : place + 27 + tail[place + 26]]
    return bool(tail[place + 5] & 4) and place + 27 + tail[place + 26] + sum(segments) <= len(tail)


def _packet_bytes(start: bytes) -> int | None:
    """Return the packet size of a transport stream, with or without 4 bytes of time before each."""
    for size, before in ((188, 0), (192, 4)):
        if len(start) > 2 * size and all(start[before + n * size] == _SYNC for n in range(3)):
            return size
    return None


def _stream_is_whole(file: io.FileIO, size_bytes: int, packet_bytes: int) -> bool:
    """Whether a transport stream ends with a whole packet and a whole piece of sound.

    Sound comes in PES packets that state their length (ISO/IEC 13818-1, 2.4.3.6), spread over the
    stream's packets of one number (PID).
    """
    if size_bytes % packet_bytes:
        return False
    count = min(_TAIL_BYTES, size_bytes) // packet_bytes
    tail = os.pread(file.fileno(), count * packet_bytes, size_bytes - count * packet_bytes)
    missing: dict[int, int] = {}
    for at in range(packet_bytes - 188, len(tail), packet_bytes):
        packet = tail[at : at + 188]
        number = (packet[1] & 0x1F) << 8 | packet[2]
        # Bits of the fourth byte: an adaptation field stands first, there is a payload.
        payload = packet[4 + (1 + packet[4] if packet[3] & 0x20 else 0) :]
        if not packet[3] & 0x10:
            continue
        if packet[1] & 0x40:  # a PES packet begins here
            missing.pop(number, None)
            if payload[:3] != b"\0\0\1" or len(payload) < 6 or payload[3] not in _SOUND_PIECES:
                continue
            missing[number] = 6 + int.from_bytes(payload[4:6], "big")
        if number in missing:
            missing[number] -= len(payload)
    return all(left <= 0 for left in missing.values())


def _length(data: bytes, place: int) -> tuple[int, int | None]:
    """Read an EBML length: where it ends and its value; all ones mean not known (RFC 8794)."""
    value, width = ebml_number(data, place)
    return (place + width, value) if width else (len(data), 0)
