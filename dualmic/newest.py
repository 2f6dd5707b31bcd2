"""The newest recording on a card, by clip number and recording date.

A file's date on a card is the camera's clock, which is reset when a battery was out; the clip
number goes on counting. So among clips of one series the highest number is the newest, and only
between series does the recording date decide: the one in the file, else the file's own.
"""

import os
import re
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from dualmic.errors import RecordingError
from dualmic.readers.openfile import read_head
from dualmic.report import is_companion

# Names that recorders, cameras and edits give to files with sound.
_SOUND = "wav bwf wave rf64 w64 aif aiff aifc flac caf ogg opus mp3 aac m4a mka wma"
_PICTURE = "mov mp4 m4v mxf mkv webm mts m2ts ts mpg mpeg avi 3gp wmv"
SUFFIXES = frozenset(f".{name}" for name in f"{_SOUND} {_PICTURE}".split())


@dataclass(frozen=True)
class Newest:
    """The chosen recording and, in a sentence, why it was chosen."""

    path: Path
    because: str


@dataclass(frozen=True)
class _Clip:
    path: Path
    number: int | None
    changed_s: float


def recordings_in(folder: Path) -> Iterator[Path]:
    """Yield every file in the tree whose name is a recording's, sorted, hidden ones left out."""
    for root, folders, names in os.walk(folder):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        for name in sorted(names):
            path = Path(root) / name
            if name.startswith(".") or path.suffix.lower() not in SUFFIXES:
                continue
            if not is_companion(path):
                yield path


def newest_recording(folder: Path) -> Newest:
    """Return the newest recording in a folder and its sub-folders.

    Raises:
        RecordingError: no such folder, or no recording that can be opened in it.

    """
    if not folder.is_dir():
        raise RecordingError(
            f"{folder} is not a folder: give the card or the folder with the clips."
        )
    series: dict[tuple[Path, str, str], list[_Clip]] = defaultdict(list)
    for path in recordings_in(folder):
        match = re.match(r"^(.*?)(\d+)(\D*)$", path.stem)
        number = int(match[2]) if match else None
        key = (match[1], match[3]) if match else (path.stem, "")
        series[path.parent, key[0], key[1] + path.suffix.lower()].append(
            _Clip(path, number, path.stat().st_mtime)
        )
    newest = [found for clips in series.values() if (found := _newest_of(clips)) is not None]
    if not newest:
        raise RecordingError(f"There is no recording that can be opened in {folder}.")
    date, clip, clips = max(newest, key=lambda item: item[0])
    return Newest(clip.path, _because(date, clip, clips, len(newest)))


def _newest_of(clips: list[_Clip]) -> tuple[datetime, _Clip, list[_Clip]] | None:
    """Return the newest clip of a series that opens, with its date."""
    numbers = [clip.number or 0 for clip in clips]
    # Cameras count to 9999 and begin again: then the low numbers are the later ones.
    wrapped = max(numbers) >= 9000 and min(numbers) < 1000
    later = {number: number + 10_000 if wrapped and number < 5000 else number for number in numbers}
    for clip in sorted(
        clips, key=lambda clip: (later[clip.number or 0], clip.changed_s), reverse=True
    ):
        try:
            recorded_at = read_head(clip.path).recorded_at
        except RecordingError:
            continue
        return _date(recorded_at, clip.changed_s), clip, clips
    return None


def _date(recorded_at: str | None, changed_s: float) -> datetime:
    try:
        date = datetime.fromisoformat(recorded_at or "")
    except ValueError:
        return datetime.fromtimestamp(changed_s, UTC)
    return date if date.tzinfo else date.replace(tzinfo=UTC)


def _because(date: datetime, clip: _Clip, clips: list[_Clip], series: int) -> str:
    reasons = []
    if len(clips) > 1:
        reasons.append(f"it has the latest clip number of {len(clips)}")
        if max(clips, key=lambda other: other.changed_s) is not clip:
            reasons.append(
                "although another file bears a later date (was the camera's clock reset?)"
            )
    if series > 1:
        reasons.append(f"its recording date is the latest of {series} series of clips")
    if not reasons:
        reasons.append("it is the only recording there")
    return f"{clip.path.name} was chosen: {', '.join(reasons)} ({date:%Y-%m-%d %H:%M})."
