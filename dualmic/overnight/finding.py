"""Finding the recordings of a folder by what is in the files, and what belongs together.

A file counts as a recording when its first bytes are those of a container that can hold sound;
its name does not matter. Files and folders whose names begin with a dot are hidden and left out.
"""

import bisect
import itertools
import os
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from dualmic.errors import DualmicError
from dualmic.joining import joined_by
from dualmic.readers.filereader import FileHead
from dualmic.readonly import open_read_only
from dualmic.report import is_companion

_STARTS = (
    b"RF64",
    b"BW64",
    b"riff",
    b"fLaC",
    b"caff",
    b"OggS",
    b"\x1a\x45\xdf\xa3",  # Matroska: EBML, RFC 8794
    b"\x06\x0e\x2b\x34",  # MXF: a SMPTE universal label, SMPTE 298
    b"\x00\x00\x01\xba",  # MPEG programme stream, ISO 13818-1
    b"\x30\x26\xb2\x75",  # ASF
    b"ID3",
)
_BOXES = (b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip", b"pnot")  # ISO 14496-12, QuickTime
_STILL_BRANDS = (b"heic", b"heix", b"mif1", b"msf1", b"avif", b"crx ")
_TAIL_BYTES = 65_536  # our choice: two recordings of noise never share their last 64 KiB
_PROXY_SLACK_S = 0.5  # our choice: a proxy is as long as its original, within some frames

Shape = Literal["alone", "parts", "two files"]


@dataclass(frozen=True)
class SeenFile:
    """A file that may be a recording, as the folder shows it."""

    path: Path
    size_bytes: int
    changed_ns: int


@dataclass(frozen=True)
class Unit:
    """What is checked as one take: one file, the parts of a split take, or two mono files."""

    heads: tuple[FileHead, ...]
    shape: Shape = "alone"

    @property
    def paths(self) -> tuple[Path, ...]:
        """Its files, in order."""
        return tuple(head.path for head in self.heads)

    @property
    def length_s(self) -> float:
        """Its length as promised; from its size at 16 kB/s where it does not say (our choice)."""
        lengths = [
            head.size_bytes / 16_000
            if head.promised_frames is None
            else head.promised_frames / head.sample_rate_hz
            for head in self.heads
        ]
        return max(lengths) if self.shape == "two files" else sum(lengths)

    @property
    def form(self) -> tuple[object, ...]:
        """What two copies of one recording have in common before their sound is read."""
        return tuple((h.sample_rate_hz, len(h.tracks), h.promised_frames) for h in self.heads)


def files_in(folder: Path) -> Iterator[SeenFile]:
    """Yield every file of the tree that is not hidden, not empty, and starts as a recording."""
    for root, folders, names in os.walk(folder):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        for name in sorted(names):
            path = Path(root, name)
            if name.startswith(".") or is_companion(path):
                continue
            try:
                status = path.stat()
                if status.st_size and path.is_file() and starts_as_a_recording(path):
                    yield SeenFile(path, status.st_size, status.st_mtime_ns)
            except OSError:
                continue  # went away between the listing and the look at it


def starts_as_a_recording(path: Path) -> bool:
    """Say whether the first bytes are those of a container that can hold sound.

    A file that may not be read counts as one: it is to be listed with its reason, not lost.
    """
    try:
        with open_read_only(path) as file:
            start = file.read(400)
    except DualmicError:
        return path.exists()
    kind = start[8:12]
    if start[:4] == b"RIFF":
        return kind in (b"WAVE", b"AVI ")
    if start[:4] == b"FORM":
        return kind in (b"AIFF", b"AIFC")
    if start[4:8] in _BOXES:
        return not (start[4:8] == b"ftyp" and kind in _STILL_BRANDS)
    # MPEG audio: 11 bits of sync, a layer and a bit rate (ISO 11172-3); 0xFFFE begins UTF-16 text.
    mpeg = start[:1] == b"\xff" and len(start) > 2 and start[1] & 0xE6 in (0xE2, 0xE4)
    stream = any(  # MPEG transport stream: a sync byte every 188 bytes, ISO 13818-1
        start[at : at + 1] == b"\x47" and start[at + gap : at + gap + 1] == b"\x47"
        for at, gap in ((0, 188), (4, 192))
    )
    return start.startswith(_STARTS) or mpeg or stream


def group(heads: Sequence[FileHead]) -> tuple[list[Unit], dict[Path, Path]]:
    """Put together what belongs together.

    Returns:
        The units in the order of their first files, and the proxies: file to its original.

    """
    proxies = _proxies(heads)
    left = [head for head in heads if head.path not in proxies]
    units: list[Unit] = []
    for folder in _by(left, lambda head: head.path.parent):
        pairs = list(_mono_pairs(folder))
        taken = {head.path for pair in pairs for head in pair}
        units += [Unit(pair, "two files") for pair in pairs]
        units += _joined([head for head in folder if head.path not in taken])
    return sorted(units, key=lambda unit: unit.paths), proxies


def _by(heads: Iterable[FileHead], key: Callable[[FileHead], object]) -> list[list[FileHead]]:
    groups: dict[object, list[FileHead]] = defaultdict(list)
    for head in heads:
        groups[key(head)].append(head)
    return list(groups.values())


def _proxies(heads: Sequence[FileHead]) -> dict[Path, Path]:
    """Find small lossy files of a bigger original's length and time, that bear its name."""
    found: dict[Path, Path] = {}
    dated = [head for head in heads if head.promised_frames and (head.timecode or head.recorded_at)]
    for alike in _by(dated, lambda head: head.timecode or head.recorded_at):
        alike.sort(key=_length_s)  # so that only neighbours in length need be compared
        lengths = [_length_s(head) for head in alike]
        for small in alike:
            if not small.is_lossy:
                continue
            low = bisect.bisect_left(lengths, _length_s(small) - _PROXY_SLACK_S)
            high = bisect.bisect_right(lengths, _length_s(small) + _PROXY_SLACK_S)
            for big in alike[low:high]:
                if 2 * small.size_bytes < big.size_bytes and (
                    small.path.stem in big.path.stem or big.path.stem in small.path.stem
                ):
                    found[small.path] = big.path
    return found


def _length_s(head: FileHead) -> float:
    return (head.promised_frames or 0) / head.sample_rate_hz


def _mono_pairs(heads: Sequence[FileHead]) -> Iterator[tuple[FileHead, FileHead]]:
    """Yield two mono files of one length and start whose names differ in one place only."""
    mono = [head for head in heads if len(head.tracks) == 1 and head.promised_frames]
    for alike in _by(mono, lambda h: (h.sample_rate_hz, h.promised_frames, h.timecode)):
        if len(alike) != 2:
            continue
        first, second = sorted(alike, key=lambda head: head.path)
        one, two = first.path.stem, second.path.stem
        same = _same_letters(one, two)
        same += _same_letters(one[same:][::-1], two[same:][::-1])
        near = 2 * same >= max(len(one), len(two))
        if (near or first.timecode) and _tail(first.path) != _tail(second.path):
            yield first, second


def _same_letters(one: str, two: str) -> int:
    """Return how many letters two names have in common at their start."""
    pairs = zip(one, two, strict=False)
    return sum(1 for _ in itertools.takewhile(lambda pair: pair[0] == pair[1], pairs))


def _tail(path: Path) -> bytes:
    try:
        with open_read_only(path) as file:
            file.seek(max(0, path.stat().st_size - _TAIL_BYTES))
            return file.read()
    except (DualmicError, OSError):
        return b""


def _joined(heads: Sequence[FileHead]) -> list[Unit]:
    """Join the files of one folder that go on where the one before ended."""
    chains: list[list[FileHead]] = []
    for head in sorted(heads, key=lambda head: head.path):
        for chain in reversed(chains[-8:]):  # our choice: parts lie close together in the order
            if chain[-1].path.suffix == head.path.suffix and _goes_on(chain[-1], head):
                chain.append(head)
                break
        else:
            chains.append([head])
    return [Unit(tuple(chain), "parts" if len(chain) > 1 else "alone") for chain in chains]


def _goes_on(first: FileHead, second: FileHead) -> bool:
    """Join by timecode or date, or by number where the first is as full as a file gets.

    Names alone say nothing on a card where every clip is numbered: there the first part must have
    reached the size at which recorders begin a new file.
    """
    sign = joined_by(first, second)
    return sign in ("timecode", "date") or (sign == "name" and first.size_bytes > 1.9e9)


def copies_to_settle(units: Sequence[Unit]) -> list[list[Unit]]:
    """Return the groups of units that may be copies of one another: their sound must be compared.

    Files that do not say how long they are never count as alike.
    """
    groups: dict[object, list[Unit]] = defaultdict(list)
    for unit in units:
        if all(head.promised_frames for head in unit.heads):
            groups[unit.form].append(unit)
    return [alike for alike in groups.values() if len(alike) > 1]
