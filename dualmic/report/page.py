"""The page: one self-contained HTML file that opens from disk and asks the network for nothing.

Style, script, picture and sound are inside the file; a content security policy made from the
digests of exactly that style and script keeps everything else out. All text passes through
jinja2's escaping, names of files and people above all.
"""

import base64
import hashlib
import json
from collections.abc import Mapping
from importlib import resources
from typing import TYPE_CHECKING, Any

import jinja2
import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from dualmic.record import TakeRecord
from dualmic.report import codes
from dualmic.report.measurements import microphone_rows, programme_rows
from dualmic.report.outline import ProblemRow, outline
from dualmic.report.picture import FLOOR_DB, Lane, Row, picture
from dualmic.report.words import duration
from dualmic.timecode import Counter

if TYPE_CHECKING:
    from dualmic.report.clips import Clip

#: Level columns a lane in the page's picture: 0.1 s each in half an hour (our choice).
_COLUMNS = 20000
#: Lists of things good to know are folded up from this length (our choice).
_FOLD_FROM = 6


def html(
    record: TakeRecord,
    plot_png: bytes,
    *,
    clips: "Mapping[int, Clip] | None" = None,
    labels: Mapping[str, str] | None = None,
) -> bytes:
    """Return the page.

    Args:
        record: what to tell.
        plot_png: the picture for readers without scripts.
        clips: sound of problems by ``Problem.id``.
        labels: further facts to print, such as project and roll.

    """
    told = outline(record)
    style, script = template_text("page.css"), template_text("page.js")
    text = page_template("page.html").render(
        told=told,
        labels=dict(labels or {}),
        groups=_groups(told.problems),
        clips=_sounds(clips or {}),
        microphone_rows=microphone_rows(record),
        programme_rows=programme_rows(record),
        kinds=picture(record, columns=1).kinds,
        fold_from=_FOLD_FROM,
        policy=content_security_policy(style, script),
        style=Markup(style),  # our own files, nothing of the record's
        script=Markup(script),
        data=Markup(_data(record)),  # every "<" is escaped in there
        plot_uri="data:image/png;base64," + base64.b64encode(plot_png).decode(),
        version=record.method.version,
    )
    return text.encode()


def content_security_policy(style: str, script: str) -> str:
    """Return a policy that allows this style, this script, pictures and sound inside the page."""
    return (
        "default-src 'none'; img-src data:; media-src data:; "
        f"style-src {_digest(style)}; script-src {_digest(script)}; "
        "base-uri 'none'; form-action 'none'"
    )


def _digest(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


def page_template(name: str) -> jinja2.Template:
    """Return a page's template: autoescaped, and an unknown name in it is an error."""
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("dualmic.report"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template(name)


def template_text(name: str) -> str:
    """Return one of our own templates, styles or scripts."""
    return (resources.files("dualmic.report") / "templates" / name).read_text(encoding="utf-8")


def _sounds(clips: "Mapping[int, Clip]") -> dict[int, tuple[str, str]]:
    """Return each clip's ``data:`` address and its length in words."""
    return {
        problem: (
            f"data:{clip.media_type.replace(' ', '')};base64,"
            + base64.b64encode(clip.content).decode(),
            duration(clip.duration_s),
        )
        for problem, clip in clips.items()
    }


def _groups(rows: list[ProblemRow]) -> list[tuple[str, str, list[ProblemRow]]]:
    """Return severity, heading and problems of each severity that there is, the worst first."""
    headings = {"fail": "Spoils the sound", "warn": "Take care", "note": "Good to know"}
    groups = [
        (severity, heading, [row for row in rows if row.problem.severity == severity])
        for severity, heading in headings.items()
    ]
    return [group for group in groups if group[2]]


def _data(record: TakeRecord) -> str:
    """Return the picture for the page's script as JSON that can stand inside HTML."""
    view = picture(record, columns=_COLUMNS)
    data = {
        "duration": view.duration_s,
        "floor": FLOOR_DB,
        "timecode": _timecode(record),
        "lanes": [_lane(record, lane) for lane in view.lanes],
        "rows": [_row(row) for row in view.shared_rows],
        "colours": codes.FAMILY_COLOURS,
    }
    text = json.dumps(data, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace("&", "\\u0026")


def _lane(record: TakeRecord, lane: Lane) -> dict[str, Any]:
    return {
        "role": lane.role,
        "channel": lane.channel,
        "rms": _half_decibels(lane.rms_dbfs),
        "peak": _half_decibels(lane.peak_dbfs),
        "turns": [
            [round(turn.start_s, 2), round(turn.end_s, 2)]
            for turn in record.turns
            if turn.speaker == lane.role
        ],
        "noise": lane.noise_dbfs,
        "loudest": [lane.loudest_at_s, lane.loudest_dbtp],
        "risk": [[round(s.start_s, 2), round(s.end_s, 2), s.urgent] for s in lane.at_risk],
        "rows": [_row(row) for row in lane.rows],
    }


def _row(row: Row) -> dict[str, Any]:
    return {
        "letter": row.kind.letter,
        "title": row.kind.title,
        "family": row.kind.family,
        "marks": [
            [mark.problem, round(mark.start_s, 3), round(mark.end_s, 3), mark.severity]
            for mark in row.marks
        ],
    }


def _half_decibels(levels_db: NDArray[np.float64]) -> str:
    """Return levels as bytes in base64: half decibels below +6 dB, 255 for digital silence."""
    steps = np.clip(np.round((6.0 - np.nan_to_num(levels_db, nan=-200.0)) * 2), 0, 255)
    return base64.b64encode(steps.astype(np.uint8).tobytes()).decode()


def _timecode(record: TakeRecord) -> dict[str, float] | None:
    if record.take.timecode is None:
        return None
    counter = Counter.of(record.take.timecode)
    return {
        "start": counter.start_frame,
        "rate": float(counter.rate),
        "nominal": counter.nominal,
        "dropped": counter.dropped_a_minute,
    }
