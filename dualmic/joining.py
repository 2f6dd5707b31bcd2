"""Takes that a camera split into several files: which files are parts of one take, in which order.

Cameras start a new file when one reaches a size their card's format allows; nothing is lost
between them. Parts have names that differ in one number, which counts on, and

- their timecode goes on where the part before ended, or
- without timecode, the recording date of each is where the part before ended, or
- without either, the number that differs stands at the end, after a separator (``B_01``,
  ``B_02``): cameras number separate clips alike, so this is the weakest sign.
"""

import contextlib
import itertools
import re
import shlex
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from pathlib import Path
from typing import Literal

from dualmic.errors import RecordingError
from dualmic.newest import SUFFIXES
from dualmic.readers.filereader import FileHead
from dualmic.readers.openfile import read_head
from dualmic.record import Timecode
from dualmic.timecode import Counter

_TIMECODE_SLACK_FRAMES = 2  # our choice: sound and picture of a part end up to two frames apart
_DATE_SLACK_S = 2.0  # our choice: dates are written in whole seconds
_LAST_NUMBER = re.compile(r"^(.*[ _.\-(])(\d+)(\)?)$")

_CHAINS_OPEN = 64  # our choice: parts lie close together in order of date and name
_TAKES_NAMED = 4
# Our choice: recorders begin a new file just under 2 GiB or 4 GiB (FAT's and RIFF's limits).
FULL_FILE_BYTES = 1_900_000_000

Sign = Literal["timecode", "date", "name"]
_STRENGTH: tuple[Sign, ...] = ("name", "date", "timecode")


@dataclass(frozen=True)
class Parts:
    """The files of a split take, in order; ``sign`` is the weakest sign that joins two of them."""

    paths: tuple[Path, ...]
    sign: Sign | None


def find_parts(path: Path) -> Parts:
    """Find the parts of the take that ``path`` belongs to, in its folder.

    Returns:
        One path and no sign where the file stands alone.

    Raises:
        RecordingError: when ``path`` itself cannot be opened.

    """
    heads = [read_head(path)]
    signs: list[Sign] = []
    for backwards in (True, False):
        while (found := _neighbour(heads[0 if backwards else -1], backwards)) is not None:
            head, sign = found
            heads.insert(0 if backwards else len(heads), head)
            signs.append(sign)
    return _parts(heads, signs)


def takes_in(folder: Path) -> list[Parts]:
    """Return the takes among the recordings of one folder, each with its parts in order.

    Here names need not count on where timecode or dates do. Sub-folders and files that cannot be
    opened are left out.
    """
    heads = []
    for path in sorted(folder.iterdir()):
        if path.suffix.lower() in SUFFIXES and not path.name.startswith(".") and path.is_file():
            with contextlib.suppress(RecordingError):
                heads.append(read_head(path))
    chains: list[tuple[list[FileHead], list[Sign]]] = []
    for head in sorted(heads, key=lambda head: (head.recorded_at or "", head.path)):
        found: list[tuple[int, int, Sign]] = []
        for place, (chain, _) in enumerate(chains[-_CHAINS_OPEN:]):
            same_kind = chain[-1].path.suffix.lower() == head.path.suffix.lower()
            sign = joined_by(chain[-1], head) if same_kind else None
            if sign is not None:
                found.append((_STRENGTH.index(sign), place, sign))
        if found:
            _, place, sign = max(found)
            chain, signs = chains[-_CHAINS_OPEN:][place]
            chain.append(head)
            signs.append(sign)
        else:
            chains.append(([head], []))
    return [_parts(chain, signs) for chain, signs in chains]


def whole_take(path: Path) -> Parts:
    """Return all parts of the take that ``path`` stands for: one of its files, or its folder.

    Raises:
        RecordingError: the file cannot be opened, or the folder does not hold just one take.

    """
    if not path.is_dir():
        found = find_parts(path)
        if len(found.paths) == 1:
            beside = (take for take in takes_in(path.parent) if path in take.paths)
            found = next(beside, found)
        return found
    takes = takes_in(path)
    if not takes:
        raise RecordingError(f"There is no recording that can be opened in {path}.")
    if len(takes) > 1:
        named = [
            take.paths[0].name + (f" in {len(take.paths)} parts" if len(take.paths) > 1 else "")
            for take in takes[:_TAKES_NAMED]
        ]
        rest = len(takes) - len(named)
        more = f" and {rest} more" if rest else ""
        raise RecordingError(
            f"{path} holds {len(takes)} takes ({', '.join(named)}{more}): "
            "give a file of one of them with --joined."
        )
    return takes[0]


def part_hint(path: Path) -> str | None:
    """Say in one sentence that a file looks like a part of a split take, ``None`` if it does not.

    Names alone are believed only of a file as full as recorders let one get: takes of their own
    are numbered alike.
    """
    beside = itertools.chain(_numbered(path, 1), _numbered(path, -1))
    if next(beside, None) is None:
        return None  # nothing is opened for a file that stands alone
    try:
        found = find_parts(path)
    except RecordingError:
        return None  # checking it says why
    count = len(found.paths)
    if found.sign is None or (found.sign == "name" and path.stat().st_size < FULL_FILE_BYTES):
        return None
    place = found.paths.index(path)
    other = found.paths[place + 1 if place + 1 < count else place - 1].name
    why = {
        "timecode": f"timecode runs on between it and {other}",
        "date": f"their recording dates say that it and {other} follow each other",
        "name": f"its name counts on with {other}",
    }[found.sign]
    return (
        f"{path.name} looks like part {place + 1} of {count} of one take ({why}): "
        f"to check it whole, dualmic check {shlex.quote(str(path))} --joined"
    )


def _parts(heads: Sequence[FileHead], signs: Sequence[Sign]) -> Parts:
    return Parts(tuple(head.path for head in heads), min(signs, key=_STRENGTH.index, default=None))


def _neighbour(head: FileHead, backwards: bool) -> tuple[FileHead, Sign] | None:
    for candidate in _numbered(head.path, -1 if backwards else 1):
        try:
            other = read_head(candidate)
        except RecordingError:
            continue
        sign = joined_by(other, head) if backwards else joined_by(head, other)
        if sign is not None:
            return other, sign
    return None


def _numbered(path: Path, step: int) -> Iterator[Path]:
    """Yield the files beside ``path`` in whose name one number is ``step`` further."""
    for match in reversed(list(re.finditer(r"\d+", path.stem))):
        number = int(match[0]) + step
        if number < 0:
            continue
        stem = (
            path.stem[: match.start()] + str(number).zfill(len(match[0])) + path.stem[match.end() :]
        )
        candidate = path.with_name(stem + path.suffix)
        if candidate.is_file():
            yield candidate


def joined_by(first: FileHead, second: FileHead) -> Sign | None:
    """Return the sign that ``second`` goes on where ``first`` ended, or ``None``."""
    if (first.sample_rate_hz, len(first.tracks)) != (second.sample_rate_hz, len(second.tracks)):
        return None
    gap = timecode_gap(first, second)
    if gap is not None:
        return "timecode" if abs(gap) <= _TIMECODE_SLACK_FRAMES else None
    seconds = _date_gap_s(first, second)
    if seconds is not None:
        return "date" if abs(seconds) <= _DATE_SLACK_S else None
    names = _LAST_NUMBER.match(first.path.stem), _LAST_NUMBER.match(second.path.stem)
    if names[0] and names[1] and names[0][1] == names[1][1]:
        return "name" if int(names[1][2]) == int(names[0][2]) + 1 else None
    return None


def timecode_gap(first: FileHead, second: FileHead) -> int | None:
    """Return the frames between ``first``'s end and ``second``'s start by timecode.

    ``None`` where one has no timecode, the rates differ, or the length is not known.
    """
    if first.timecode is None or second.timecode is None or first.promised_frames is None:
        return None
    start, after = Counter.of(first.timecode), Counter.of(second.timecode)
    if (start.rate, start.drop_frame) != (after.rate, after.drop_frame):
        return None
    length = round(Fraction(first.promised_frames, first.sample_rate_hz) * start.rate)
    day = start.frames_a_day
    gap = (after.start_frame - start.start_frame - length) % day
    return gap - day if gap > day // 2 else gap


def _date_gap_s(first: FileHead, second: FileHead) -> float | None:
    if not (first.recorded_at and second.recorded_at and first.promised_frames):
        return None
    try:
        dates = [datetime.fromisoformat(head.recorded_at or "") for head in (first, second)]
        between_s = (dates[1] - dates[0]).total_seconds()
    except (ValueError, TypeError):  # no date, or one with and one without a time zone
        return None
    return between_s - first.promised_frames / first.sample_rate_hz


def join_notes(heads: Sequence[FileHead]) -> list[str]:
    """Say where the timecode of given parts does not go on: a part is missing or out of order."""
    notes = []
    for first, second in itertools.pairwise(heads):
        gap = timecode_gap(first, second)
        if gap is not None and abs(gap) > _TIMECODE_SLACK_FRAMES:
            seconds = abs(gap) / Counter.of(_timecode(first)).rate
            where = "after" if gap > 0 else "before"
            notes.append(
                f"By its timecode {second.path.name} starts {float(seconds):.2f} s {where} the end "
                f"of {first.path.name}: check that no part is missing and that the order is right."
            )
    return notes


def _timecode(head: FileHead) -> Timecode:
    assert head.timecode is not None
    return head.timecode
