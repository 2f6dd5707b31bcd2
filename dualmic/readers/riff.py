"""Chunks of a WAV file: RIFF, RF64 and BW64, Broadcast Wave's ``bext``, and ``iXML``.

RIFF is a list of chunks: four letters, a 32-bit little-endian length, that many bytes, padded to
an even count. RF64 (EBU Tech 3306) and BW64 (ITU-R BS.2088) hold 0xFFFFFFFF there and the true
lengths in a ``ds64`` chunk. A recorder writes lengths last, so a recording whose battery died
holds 0 or 0xFFFFFFFF or an older, smaller length: nothing here trusts one beyond the file's end.
"""

import io
import os
import re
import struct
import xml.etree.ElementTree as ElementTree
from dataclasses import dataclass, field
from fractions import Fraction

UNKNOWN_SIZE = 0xFFFFFFFF
MAX_TEXT_CHUNK = 1 << 20  # our choice: a longer description is damage
MAX_CHUNKS = 1000  # our choice: a file of millions of tiny chunks must not hold us up

PCM, IEEE_FLOAT, EXTENSIBLE = 0x0001, 0x0003, 0xFFFE  # RFC 2361, and WAVE_FORMAT_EXTENSIBLE


@dataclass(frozen=True)
class WaveFormat:
    """The ``fmt`` chunk; ``tag`` is the sub-format's when the file is extensible.

    ``contradicts``: its bytes a second or a frame are not what its other fields come to.
    """

    tag: int
    channels: int
    sample_rate_hz: int
    container_bits: int
    valid_bits: int
    contradicts: bool = False


@dataclass(frozen=True)
class BroadcastText:
    """Fields of ``bext`` (EBU Tech 3285): texts, date and time, and samples since midnight."""

    description: str
    originator: str
    recorded_at: str | None
    samples_since_midnight: int


@dataclass(frozen=True)
class InterchangeText:
    """Fields of ``iXML``: track names by channel (from 1), frame rate, and notes."""

    track_names: dict[int, str] = field(default_factory=dict)
    rate: str | None = None
    drop_frame: bool = False
    texts: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class WaveLayout:
    """Where the samples lie. ``promised_bytes`` is ``None`` when their length was never written."""

    kind: str
    format: WaveFormat
    data_start: int
    data_bytes: int
    promised_bytes: int | None
    broadcast: BroadcastText | None
    interchange: InterchangeText | None


def read_layout(file: io.FileIO) -> WaveLayout | None:
    """Read a WAV file's chunks, or return ``None`` when there is no ``fmt`` or no ``data``."""
    size = os.fstat(file.fileno()).st_size
    file.seek(0)
    kind = file.read(12)[:4].decode("latin-1")
    position = 12
    lengths: dict[bytes, int] = {}
    texts: dict[bytes, bytes] = {}
    wave_format: WaveFormat | None = None
    data: tuple[int, int, int | None] | None = None
    for _ in range(MAX_CHUNKS):
        file.seek(position)
        header = file.read(8)
        if len(header) < 8:
            break
        name, length = struct.unpack("<4sI", header)
        start = position + 8
        if name == b"ds64":
            lengths = _long_lengths(file.read(min(length, 4096)))
        elif name == b"data" and data is None:
            promised = _data_length(length, lengths, size - start)
            available = size - start
            data = (start, available if promised is None else min(promised, available), promised)
            length = data[1]
        elif name == b"fmt " and wave_format is None:
            wave_format = _wave_format(file.read(min(length, 64)))
        elif name.lower() in (b"bext", b"ixml"):
            texts.setdefault(name.lower(), file.read(min(length, MAX_TEXT_CHUNK)))
        position = start + length + length % 2
    if wave_format is None or data is None:
        return None
    return WaveLayout(
        kind=kind,
        format=wave_format,
        data_start=data[0],
        data_bytes=data[1],
        promised_bytes=data[2],
        broadcast=_broadcast(texts[b"bext"]) if b"bext" in texts else None,
        interchange=parse_ixml(texts[b"ixml"]) if b"ixml" in texts else None,
    )


def _long_lengths(body: bytes) -> dict[bytes, int]:
    """Read ``ds64``: the 64-bit length of ``data`` (EBU Tech 3306, section 4)."""
    if len(body) < 16:
        return {}
    return {b"data": struct.unpack("<Q", body[8:16])[0]}


def _data_length(length: int, lengths: dict[bytes, int], available: int) -> int | None:
    if length == UNKNOWN_SIZE:
        length = lengths.get(b"data", 0)
        if length in (0, UNKNOWN_SIZE, 0xFFFFFFFFFFFFFFFF):
            return None
        return length
    if length == 0:
        return None
    # A recorder that never knew of RF64 writes the length modulo 4 GiB.
    return length + ((available - length) >> 32 << 32 if available > length else 0)


def _wave_format(body: bytes) -> WaveFormat | None:
    if len(body) < 16:
        return None
    tag, channels, rate, second, align, bits = struct.unpack("<HHIIHH", body[:16])
    valid = bits
    if tag == EXTENSIBLE and len(body) >= 26:
        valid = struct.unpack("<H", body[18:20])[0] or bits
        tag = struct.unpack("<H", body[24:26])[0]
    if channels and align % channels == 0 and align // channels * 8 > bits:
        bits = align // channels * 8  # 20 bits are stored in three bytes
    contradicts = (second, align) != (rate * align, channels * bits // 8)
    valid = valid if 0 < valid <= bits else bits
    return WaveFormat(tag, channels, rate, bits, valid, contradicts)


def _text(body: bytes) -> str:
    body = body.split(b"\0", 1)[0]
    try:
        return body.decode("utf-8").strip()
    except UnicodeDecodeError:
        return body.decode("latin-1").strip()


def _broadcast(body: bytes) -> BroadcastText | None:
    """Read ``bext``: 256, 32 and 32 bytes of text, date, time, TimeReference (Tech 3285)."""
    if len(body) < 346:
        return None
    low, high = struct.unpack("<II", body[338:346])
    return BroadcastText(
        description=_text(body[:256]),
        originator=_text(body[256:288]),
        recorded_at=iso_time(f"{_text(body[320:330])} {_text(body[330:338])}"),
        samples_since_midnight=high << 32 | low,
    )


def iso_time(text: str) -> str | None:
    """Return a date and time as ISO 8601, whatever separators it has, or ``None`` if it is none."""
    match = re.match(
        r"\s*(\d{4})\D(\d{2})\D(\d{2})[T\s]+(\d{2})\D(\d{2})\D(\d{2})(?:\.\d+)?\s*(Z|[+-]\d{2}:?\d{2})?",
        text,
    )
    if match is None or not 1 <= int(match[2]) <= 12 or not 1 <= int(match[3]) <= 31:
        return None
    if int(match[1]) < 1990:  # a clock that was never set; QuickTime counts from 1904
        return None
    return f"{match[1]}-{match[2]}-{match[3]}T{match[4]}:{match[5]}:{match[6]}{match[7] or ''}"


def parse_ixml(body: bytes) -> InterchangeText | None:
    """Read ``iXML``: TRACK_LIST names, SPEED, and the scene, take, tape and note fields."""
    text = body.split(b"\0", 1)[0].strip()
    if b"<!DOCTYPE" in text or b"<!ENTITY" in text:  # entities could swell without bound
        return None
    try:
        root = ElementTree.fromstring(text)
    except (ElementTree.ParseError, ValueError, LookupError):
        return None
    names: dict[int, str] = {}
    for number, track in enumerate(root.iterfind("TRACK_LIST/TRACK"), start=1):
        place = (track.findtext("INTERLEAVE_INDEX") or "").strip()
        name = (track.findtext("NAME") or "").strip()
        if name:
            names[int(place) if place.isascii() and place.isdigit() else number] = name
    rate = (root.findtext("SPEED/TIMECODE_RATE") or "").strip() or None
    if rate is not None:
        try:
            Fraction(rate)
        except (ValueError, ZeroDivisionError):
            rate = None
    fields = {
        tag.lower(): (root.findtext(tag) or "").strip()
        for tag in ("PROJECT", "SCENE", "TAPE", "TAKE", "NOTE")
    }
    return InterchangeText(
        track_names=names,
        rate=rate,
        drop_frame=(root.findtext("SPEED/TIMECODE_FLAG") or "").strip().upper() == "DF",
        texts={key: value for key, value in fields.items() if value},
    )
