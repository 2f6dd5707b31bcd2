"""Takes that a camera split into several files: which files are parts of one take, in which order.

Cameras start a new file when one reaches a size their card's format allows; nothing is lost
between them. Parts have names that differ in one number, which counts on, and

- their timecode goes on where the part before ended, or
- without timecode, the recording date of each is where the part before ended, or
- without either, the number that differs stands at the end, after a separator (``B_01``,
  ``B_02``): cameras number separate clips alike, so this is the weakest sign.
"""

import itertools
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from pathlib import Path
from typing import Literal

from dualmic.errors import RecordingError
from dualmic.readers.filereader import FileHead
from dualmic.readers.openfile import read_head
from dualmic.record import Timecode
from dualmic.timecode import Counter

_TIMECODE_SLACK_FRAMES = 2  # our choice: sound and picture of a part end up to two frames apart
_DATE_SLACK_S = 2.0  # our choice: dates are written in whole seconds
_LAST_NUMBER = re.compile(r"^(.*[ _.\-(])(\d+)(\)?)$")

Sign = Literal["timecode", "date", "name"]


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
    order: tuple[Sign, ...] = ("name", "date", "timecode")
    return Parts(tuple(head.path for head in heads), min(signs, key=order.index, default=None))


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
