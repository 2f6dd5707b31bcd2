"""A Matroska file without its picture: what FFmpeg reads of it costs the disk only the sound.

Matroska interleaves picture and sound in *blocks*, and FFmpeg reads each one whole before it asks
whose it is. :class:`SoundOnly` stands between: it follows the file's elements (RFC 8794 for their
form, RFC 9559 for their meaning) and, inside blocks of tracks that are not sound, hands out zeros
instead of reading. FFmpeg throws those away. Wherever the file cannot be followed, its own bytes
are handed out, so a damaged file reads as it would without.
"""

import bisect
import io
import os
from array import array

EBML_HEADER = b"\x1a\x45\xdf\xa3"
# Element identifiers, as numbers with their length marker (RFC 9559, section 5.1).
_SEGMENT, _CLUSTER, _BLOCK_GROUP = 0x18538067, 0x1F43B675, 0xA0
_INSIDE = {_SEGMENT, _CLUSTER, _BLOCK_GROUP}  # what lies in these is walked through
_BLOCKS = {0xA3, 0xA1}  # SimpleBlock, Block: track number, 16 bits of time, 8 of flags, the data
_TRACKS, _TRACK_ENTRY, _TRACK_NUMBER, _TRACK_TYPE = 0x1654AE6B, 0xAE, 0xD7, 0x83
_SOUND_TYPE = 2

_HEADER_BYTES = 24  # identifier (4), size (8) and track number (8), and some more
_MAX_TRACKS_BYTES = 1 << 20  # our choice: a longer list of tracks is damage
_FOLLOWED_BYTES = 1 << 26  # our choice: a longer jump ahead (to the index) is not walked


class SoundOnly:
    """A readable, seekable file, as :func:`av.open` takes one, around an opened Matroska file."""

    def __init__(self, file: io.FileIO) -> None:
        """Look at ``file`` without moving its position."""
        self._descriptor = file.fileno()
        self._size = os.fstat(self._descriptor).st_size
        self._position = 0
        self._next = 0  # where the next element to look at begins
        self._lost = False
        self._sound: set[int] | None = None
        # Stretches of picture, in order: 16 bytes for each, 14 MB for four hours of 60 a second.
        self._starts, self._ends = array("q"), array("q")

    def seekable(self) -> bool:
        """Say that :meth:`seek` works."""
        return True

    def tell(self) -> int:
        """Return the position."""
        return self._position

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        """Move the position."""
        base = {os.SEEK_SET: 0, os.SEEK_CUR: self._position, os.SEEK_END: self._size}[whence]
        self._position = max(0, base + offset)
        return self._position

    def read(self, size: int = -1) -> bytes:
        """Return up to ``size`` bytes, zeros in place of picture."""
        start = self._position
        end = self._size if size < 0 else min(start + size, self._size)
        if not self._lost and start - self._next <= _FOLLOWED_BYTES:
            self._follow(end)
        parts: list[bytes] = []
        place = bisect.bisect_right(self._ends, start)
        while start < end:
            known = place < len(self._starts)
            if known and self._starts[place] <= start:
                until = min(self._ends[place], end)
                parts.append(bytes(until - start))
                start, place = until, place + 1
                continue
            until = min(self._starts[place], end) if known else end
            part = os.pread(self._descriptor, until - start, start)
            parts.append(part)
            start += len(part)
            if not part:
                break
        self._position = start
        return parts[0] if len(parts) == 1 else b"".join(parts)

    def _follow(self, end: int) -> None:
        """Walk from element to element until ``end``, noting where the picture lies."""
        while self._next < end and not self._lost:
            header = os.pread(self._descriptor, _HEADER_BYTES, self._next)
            found = _element(header, 0)
            if found is None:
                self._lost = True
                return
            name, body, length = found
            if name in _INSIDE:
                self._next += body
                continue
            if length is None:
                self._lost = True
                return
            if name == _TRACKS:
                self._read_tracks(self._next + body, length)
            elif name in _BLOCKS and self._sound is not None:
                number, width = ebml_number(header, body)
                if number is not None and number not in self._sound and length > width + 3:
                    self._starts.append(self._next + body + width + 3)
                    self._ends.append(self._next + body + length)
            self._next += body + length

    def _read_tracks(self, start: int, length: int) -> None:
        """Learn which tracks are sound; where all are, there is nothing to leave out."""
        data = os.pread(self._descriptor, min(length, _MAX_TRACKS_BYTES), start)
        sound: set[int] = set()
        others: set[int] = set()
        for name, body in _children(data):
            if name != _TRACK_ENTRY:
                continue
            fields = {inner: int.from_bytes(value, "big") for inner, value in _children(body)}
            number = fields.get(_TRACK_NUMBER, 0)
            (sound if fields.get(_TRACK_TYPE) == _SOUND_TYPE else others).add(number)
        if sound and others and not sound & others:
            self._sound = sound
        else:
            self._lost = True


def _children(data: bytes) -> list[tuple[int, bytes]]:
    """Return name and body of the elements in ``data``, as far as they are whole."""
    found: list[tuple[int, bytes]] = []
    place = 0
    while (element := _element(data, place)) is not None:
        name, body, length = element
        if length is None:
            break
        found.append((name, data[body : body + length]))
        place = body + length
    return found


def _element(data: bytes, place: int) -> tuple[int, int, int | None] | None:
    """Read an element's header: name, where its body begins, length (``None``: not known)."""
    first = data[place] if place < len(data) else 0
    width = 9 - first.bit_length()
    if width > 4 or place + width > len(data):
        return None
    name = int.from_bytes(data[place : place + width], "big")
    length, length_width = ebml_number(data, place + width)
    if not length_width:
        return None
    return name, place + width + length_width, length


def ebml_number(data: bytes, place: int) -> tuple[int | None, int]:
    """Read a number of 1 to 8 bytes and its width; all ones: not known; width 0: there is none."""
    first = data[place] if place < len(data) else 0
    width = 9 - first.bit_length()
    if not first or place + width > len(data):
        return None, 0
    ones = (1 << 7 * width) - 1
    value = int.from_bytes(data[place : place + width], "big") & ones
    return (None if value == ones else value), width
