"""The list of problems as CSV, safe to open in a spreadsheet."""

import csv
import io

from dualmic.record import TakeRecord
from dualmic.report.codes import SEVERITY_WORDS, kind_of
from dualmic.report.words import duration

#: A cell that begins with one of these may be run as a formula (OWASP, "CSV Injection").
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")

HEADER = (
    "Number",
    "Letter",
    "What",
    "Kind",
    "How bad",
    "Microphone",
    "Channel",
    "Start (seconds)",
    "End (seconds)",
    "Length",
    "Start timecode",
    "End timecode",
    "How many",
    "Value",
    "Limit",
    "Unit",
    "What was heard",
    "What to do",
)


def problems_csv(record: TakeRecord) -> bytes:
    """Return the problems as CSV: UTF-8 with byte order mark, CRLF line ends (RFC 4180)."""
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer)
    writer.writerow(HEADER)
    for problem in record.problems:
        kind = kind_of(problem.kind)
        writer.writerow(
            cell(value)
            for value in (
                problem.id,
                kind.letter,
                kind.title,
                problem.kind,
                SEVERITY_WORDS[problem.severity],
                problem.mic or "both",
                problem.channel,
                round(problem.start_s, 3),
                round(problem.end_s, 3),
                duration(problem.end_s - problem.start_s),
                problem.start_timecode,
                problem.end_timecode,
                problem.count,
                problem.value,
                problem.limit,
                problem.unit,
                problem.heard,
                problem.advice,
            )
        )
    return buffer.getvalue().encode("utf-8-sig")


def cell(value: str | float | None) -> str:
    """Return a cell; text that a spreadsheet would run as a formula gets an apostrophe in front.

    Numbers stay numbers, negative ones too.

    >>> cell("=1+1"), cell(-3.5), cell(None)
    ("'=1+1", '-3.5', '')
    """
    if value is None:
        return ""
    if isinstance(value, str) and value.startswith(_FORMULA_STARTS):
        return f"'{value}"
    return str(value)
