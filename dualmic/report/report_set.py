"""Making all files of a take's report and writing them together."""

import unicodedata
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING

from dualmic.record import TakeRecord, encode
from dualmic.report import marks, page, plot, sheet, tables, timeline
from dualmic.report.atomic import write_files
from dualmic.report.private import private_record

if TYPE_CHECKING:
    from dualmic.report.clips import Clip

#: Letters that no file name may hold on some disk a report is carried on (exFAT, NTFS).
_FORBIDDEN = set('<>:"/\\|?*')
#: Bytes of a file name, leaving room for the ending; file systems allow 255.
_MOST_BYTES = 180


def write(
    record: TakeRecord,
    folder: Path,
    *,
    sources: Sequence[Path] | None,
    private: bool,
    labels: Mapping[str, str] | None,
) -> list[Path]:
    """Write the set; see :func:`dualmic.report.write_report_set`."""
    protected = [*(sources or ()), *(Path(file.path) for file in record.take.files)]
    if private:
        record = private_record(record, sources or ())
        sources, labels = None, None
    name = file_name(record.take.name)
    with ThreadPoolExecutor(1) as pool:
        # Decoding and compressing sound runs outside Python, beside the drawing.
        waiting = pool.submit(_clips, record, sources or ())
        png, svg = plot.images(record)
        pdf = sheet.pdf(record, labels=labels)
        clips = waiting.result()
    files = {
        f"{name}.png": png,
        f"{name}.svg": svg,
        f"{name}.html": page.html(record, png, clips=clips, labels=labels),
        f"{name}.pdf": pdf,
        f"{name}.csv": tables.problems_csv(record),
        f"{name}.vtt": marks.web_vtt(record),
        f"{name}.marks.csv": marks.marks_csv(record),
        f"{name}.marks.wav": marks.companion_wav(record),
    }
    if timeline.available():
        files[f"{name}.otio"] = timeline.timeline(record)
    files[f"{name}.json"] = encode(record)
    return write_files(folder, files, protected=protected)


def _clips(record: TakeRecord, sources: Sequence[Path]) -> "dict[int, Clip]":
    if not sources or not record.problems:
        return {}
    from dualmic.report.clips import problem_clips

    return problem_clips(record, sources)


def file_name(name: str) -> str:
    """Return a take's name as a file name that any disk takes.

    >>> file_name('roll 3: "lock"'), file_name(".."), file_name("門")
    ('roll 3_ _lock_', 'take', '門')
    """
    safe = "".join(
        "_" if letter in _FORBIDDEN or unicodedata.category(letter)[0] == "C" else letter
        for letter in unicodedata.normalize("NFC", name)
    ).strip(" .")
    while len(safe.encode()) > _MOST_BYTES:
        safe = safe[:-1]
    return safe or "take"
