"""The day's page: every take of a folder, the ones that need attention first.

``index.html`` (one file, no network, works from disk), ``day.pdf``, ``day.csv`` and ``day.json``
say the same.
"""

import contextlib
import csv
import io
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from urllib.parse import quote

import msgspec

import dualmic
from dualmic.overnight.state import Row
from dualmic.report.atomic import write_files

_FILES = ("index.html", "day.pdf", "day.csv", "day.json")
_NEED = {"bad": 0, "mixed": 1, "none": 2, "good": 3}


def sorted_by_need(rows: Sequence[Row]) -> list[Row]:
    """Return the rows, those first that most need somebody; copies last."""
    return sorted(
        rows,
        key=lambda row: (
            row.status == "copy",
            row.status != "failed",
            _NEED[row.tone],
            not row.notes,
            not row.failed,
            -row.at_risk,
            row.name,
        ),
    )


def write_day(rows: Sequence[Row], out: Path, title: str, left: int = 0) -> list[Path]:
    """Write the four files, all of them or none; nothing when they say the same already.

    Raises:
        ReportError: the folder cannot be written.

    """
    ordered = sorted_by_need(rows)
    told = {"schema": "dualmic-day/1", "version": dualmic.__version__, "folder": title}
    data = msgspec.json.encode(told | {"left": left, "takes": ordered})
    data = msgspec.json.format(data, indent=1)
    paths = [out / name for name in _FILES]
    if all(path.is_file() for path in paths) and paths[-1].read_bytes() == data:
        return paths
    contents = (html(ordered, title, left), _pdf(ordered, title, left), _csv(ordered), data)
    names = (path.name for path in paths)
    return write_files(out, dict(zip(names, contents, strict=True)))


def remove_day(out: Path) -> None:
    """Take the four files away again, and the folder when nothing else is in it."""
    for name in _FILES:
        (out / name).unlink(missing_ok=True)
    with contextlib.suppress(OSError):
        out.rmdir()


def html(rows: Sequence[Row], title: str, left: int = 0) -> bytes:
    """Return the page for rows in order; ``left`` takes are still to be measured."""
    from markupsafe import Markup

    from dualmic.report.codes import kind_of
    from dualmic.report.page import content_security_policy, page_template, template_text
    from dualmic.report.words import duration, plural

    style, script = template_text("day.css"), template_text("day.js")
    text = page_template("day.html").render(
        rows=rows,
        title=title,
        left=left,
        totals=totals(rows),
        patterns=patterns(rows),
        bars=_bars,
        duration=duration,
        plural=plural,
        microphone=lambda mic: "both microphones" if mic == "both" else f"the {mic}'s microphone",
        kind=lambda name: kind_of(name).title,
        link=lambda page: quote(page),
        policy=content_security_policy(style, script),
        style=Markup(style),
        script=Markup(script),
    )
    return text.encode("utf-8", "replace")


def totals(rows: Sequence[Row]) -> dict[str, str]:
    """Return the day's totals in words."""
    from dualmic.report.words import duration

    done = [row for row in rows if row.status == "done"]
    speech = {
        role: sum(row.speech_s.get(role, 0.0) for row in done)
        for role in ("interviewer", "subject")
    }
    return {
        "Takes": str(len(rows)),
        "Sound": duration(sum(row.duration_s for row in done)),
        "Interviewer speaks": duration(speech["interviewer"]),
        "Subject speaks": duration(speech["subject"]),
        "Answers at risk": str(sum(row.at_risk for row in done)),
        "Not measured": str(sum(row.status == "failed" for row in rows)),
        "Copies": str(sum(row.status == "copy" for row in rows)),
    }


def patterns(rows: Sequence[Row]) -> tuple[list[str], list[tuple[str, str, list[int]]]]:
    """Return hours of day, and for each problem and microphone the takes it was found in by hour.

    A cable that begins to fail shows as a row that fills up.
    """
    counts: Counter[tuple[str, str, str]] = Counter()
    for row in rows:
        hour = _hour(row)
        for name in row.kinds:
            kind, mic = name.split(" ")
            counts[kind, mic, hour] += 1
    hours = sorted({hour for _, _, hour in counts})
    pairs = Counter[tuple[str, str]]()
    for (kind, mic, _), count in counts.items():
        pairs[kind, mic] += count
    table = [
        (kind, mic, [counts[kind, mic, hour] for hour in hours])
        for (kind, mic), _ in pairs.most_common()
    ]
    return hours, table


def _hour(row: Row) -> str:
    text = row.recorded_at or ""
    return f"{text[11:13]} h" if len(text) >= 13 and text[11:13].isdigit() else "no time"


def _bars(values: Sequence[int], height: int) -> str:
    """Return an SVG path of one bar a column, up from the base line."""
    return "".join(
        f"M{x} {height}V{height - max(1, v * height // 99)}" for x, v in enumerate(values)
    )


def _csv(rows: Sequence[Row]) -> bytes:
    text = io.StringIO()
    table = csv.writer(text)
    table.writerow(
        [
            "take",
            "result",
            "reason or first problem",
            "answers at risk",
            "length (s)",
            "recorded at",
            "deliveries",
            "interviewer speaks (s)",
            "subject speaks (s)",
            "copy of",
            "note",
            "report",
        ]
    )
    for row in rows:
        cells: list[str] = [
            row.name,
            row.headline,
            row.reason or row.first_problem or "",
            str(row.at_risk),
            f"{row.duration_s:.2f}",
            row.recorded_at or "",
            "; ".join(f"{name}: {result}" for name, result in row.deliveries.items()),
            f"{row.speech_s.get('interviewer', 0.0):.1f}",
            f"{row.speech_s.get('subject', 0.0):.1f}",
            row.copy_of or "",
            " ".join(row.notes),
            row.page or "",
        ]
        table.writerow([_harmless(cell) for cell in cells])
    return b"\xef\xbb\xbf" + text.getvalue().encode("utf-8", "replace")


def _harmless(cell: str) -> str:
    """Keep a spreadsheet from taking a file's name for a formula."""
    return f"'{cell}" if cell[:1] in ("=", "+", "-", "@", "\t", "\r") else cell


def _pdf(rows: Sequence[Row], title: str, left: int) -> bytes:
    import datetime

    from fpdf import FPDF

    from dualmic.report import fonts
    from dualmic.report.words import clock, short_name

    told = "".join(f"{title}{row.name}{row.reason}{row.first_problem}" for row in rows)
    pdf = FPDF(format=(210.0, 297.0), unit="mm")
    pdf.set_margins(12, 12, 12)
    pdf.set_auto_page_break(True, 29)
    pdf.set_creation_date(datetime.datetime(1970, 1, 1, tzinfo=datetime.UTC))
    pdf.set_title(f"The day: {title}")
    pdf.set_lang("en")
    fonts.embed(pdf, told)
    pdf.add_page()

    def line(text: str, size: float, bold: bool = False) -> None:
        pdf.set_font("body", "B" if bold else "", size)
        pdf.multi_cell(0, size * 0.5, text, align="L", new_x="LMARGIN", new_y="NEXT")

    line(f"The day: {short_name(title, 60)}", 14, True)
    if left:
        line(f"{left} more are still to be measured.", 9, True)
    line("   ".join(f"{name}: {text}" for name, text in totals(rows).items()), 8)
    pdf.ln(2)
    for row in rows:
        if pdf.will_page_break(13):
            pdf.add_page()
        line(f"{short_name(row.name, 70)}   {row.headline}   {clock(row.duration_s)}", 8.6, True)
        more = [row.reason or row.first_problem or "", *row.notes]
        if row.copy_of:
            more.append(f"The same sound as {short_name(row.copy_of, 70)}.")
        if row.deliveries:
            more.append(", ".join(f"{name}: {result}" for name, result in row.deliveries.items()))
        line(" · ".join(text for text in more if text) or "Nothing to note.", 7.4)
        pdf.ln(1.2)
    return bytes(pdf.output())
