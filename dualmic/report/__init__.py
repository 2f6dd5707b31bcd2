"""Reports: everything that is drawn from a take record.

``write_report_set`` writes the whole set of one take. Its parts load matplotlib, jinja2 and fpdf2
only when a report is wanted.
"""

from collections.abc import Mapping, Sequence
from importlib import import_module
from pathlib import Path
from threading import Thread

from dualmic.record import TakeRecord

__all__ = ["is_companion", "load_ahead", "write_report_set"]


def is_companion(path: Path) -> bool:
    """Whether a file is the silent WAV of a report, which carries marks and is no recording."""
    is_named_so = path.name.lower().endswith(".marks.wav")
    return is_named_so and path.with_suffix(".csv").is_file()


def load_ahead() -> None:
    """Import what reports are drawn with, in a thread, while the take is being measured."""
    Thread(target=import_module, args=("dualmic.report.report_set",), daemon=True).start()


def write_report_set(
    record: TakeRecord,
    folder: Path,
    *,
    sources: Sequence[Path] | None = None,
    private: bool = False,
    labels: Mapping[str, str] | None = None,
) -> list[Path]:
    """Write the report set of one take, all of it or nothing.

    ``NAME.json`` is the record and comes last, so that a set with a record is whole; beside it
    ``NAME.png`` and ``.svg`` (the picture), ``.html`` (one page that needs no network), ``.pdf``
    (the sheet), ``.csv`` (the problems), and the problems as marks: ``.vtt``, ``.marks.csv``,
    ``.marks.wav`` and, with the ``timeline`` extra, ``.otio``.

    Args:
        record: the take.
        folder: where to; made when it is not there.
        sources: the recordings, opened for reading only, to cut playable clips from; they are
            never replaced, whatever the folder.
        private: leave out names, paths, dates, timecode and playable clips.
        labels: further facts for page and sheet, such as project and roll.

    Returns:
        The paths written.

    Raises:
        ReportError: when the folder cannot be written.

    """
    from dualmic.report.report_set import write

    return write(record, folder, sources=sources, private=private, labels=labels)
