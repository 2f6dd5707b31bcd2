"""The picture of a take as PNG and SVG, through matplotlib's object interface.

Drawn at the width of an A4 column with type large enough to read on a phone: what each letter
means is written out under the lanes, because colour and letter alone explain nothing.
"""

import io
import re
import warnings
from dataclasses import dataclass
from typing import Any

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from dualmic.record import TakeRecord
from dualmic.report import codes
from dualmic.report.fonts import families_for
from dualmic.report.picture import FLOOR_DB, Lane, Picture, Row, Span, picture, tick_label
from dualmic.report.verdict import verdict_words
from dualmic.report.words import number, short_name
from dualmic.timecode import at as timecode_at

# All sizes in inches on paper, type in points (our choice: 1:1 on A4, 9 CSS pixels on a phone).
_WIDTH, _LEFT, _RIGHT = 7.2, 0.76, 0.18
_LANE_HEIGHT, _ROW_HEIGHT, _LANE_TITLE, _GAP = 1.45, 0.235, 0.30, 0.16
_HEADER, _TIMECODE_AXIS, _TIME_AXIS, _LEGEND_LINE = 0.70, 0.30, 0.46, 0.235
_TEXT, _SMALL, _TITLE = 10.0, 8.8, 13.5
_PNG_DPI = 200
#: Room above full scale for the "ask again" brackets, dB.
_HEADROOM_DB = 11.0
_MIN_MARK_IN = 0.035


@dataclass
class _Sheet:
    """A figure filled from the top down; ``y`` is how far down, inches."""

    figure: Figure
    height: float
    y: float = 0.0

    def axes(self, height: float) -> Axes:
        """Return an axes of that height across the plot's width, and move below it."""
        bottom = 1 - (self.y + height) / self.height
        box = (_LEFT / _WIDTH, bottom, (_WIDTH - _LEFT - _RIGHT) / _WIDTH, height / self.height)
        axes = self.figure.add_axes(box)
        self.y += height
        for side in axes.spines.values():
            side.set_visible(False)
        axes.tick_params(length=0, labelsize=_SMALL, colors=codes.INK)
        axes.set_xticks([])
        return axes

    def text(self, x: float, down: float, text: str, **style: Any) -> None:
        """Write at ``x`` inches from the left, ``down`` inches below the current place."""
        self.figure.text(
            x / _WIDTH,
            1 - (self.y + down) / self.height,
            text.replace("$", r"\$"),
            va=style.pop("va", "center"),
            color=style.pop("color", codes.INK),
            fontsize=style.pop("fontsize", _TEXT),
            **style,
        )


def png(record: TakeRecord) -> bytes:
    """Return the picture as a PNG, 1440 pixels wide."""
    figure = _figure(record)
    buffer = io.BytesIO()
    with _quiet():
        FigureCanvasAgg(figure).print_png(buffer, metadata={"Software": None})
    return buffer.getvalue()


def svg(record: TakeRecord) -> bytes:
    """Return the picture as an SVG whose text is text; the same record gives the same bytes."""
    figure = _figure(record)
    buffer = io.BytesIO()
    with (
        _quiet(),
        matplotlib.rc_context({"svg.fonttype": "none", "svg.hashsalt": "dualmic"}),
    ):
        FigureCanvasSVG(figure).print_svg(
            buffer, metadata={"Date": None, "Creator": "dualmic", "Title": record.take.name}
        )
    return re.sub(rb' d="[^"]+"', _round_path, buffer.getvalue())


def _round_path(path: re.Match[bytes]) -> bytes:
    """Keep two decimals of a point, a fiftieth of a hair, and halve the file."""
    return re.sub(rb"(\.\d\d)\d+", rb"\1", path[0])


def _quiet() -> warnings.catch_warnings:
    # A letter that no font here has is drawn as an empty box; the warning helps nobody.
    return warnings.catch_warnings(action="ignore", category=UserWarning)


def _figure(record: TakeRecord) -> Figure:
    view = picture(record)
    families = families_for(record.take.name)
    with matplotlib.rc_context({"font.family": families, "axes.unicode_minus": True}):
        return _draw(record, view)


def _draw(record: TakeRecord, view: Picture) -> Figure:
    legend = _legend_lines(view)
    height = (
        _HEADER
        + (_TIMECODE_AXIS if record.take.timecode else 0)
        + sum(_LANE_TITLE + _LANE_HEIGHT + len(lane.rows) * _ROW_HEIGHT for lane in view.lanes)
        + len(view.lanes) * _GAP
        + (_LANE_TITLE + len(view.shared_rows) * _ROW_HEIGHT if view.shared_rows else 0)
        + _TIME_AXIS
        + len(legend) * _LEGEND_LINE
        + 0.15
    )
    sheet = _Sheet(Figure(figsize=(_WIDTH, height), dpi=_PNG_DPI, facecolor=codes.PAPER), height)
    _draw_header(sheet, record, view)
    for lane in view.lanes:
        _draw_lane(sheet, view, lane)
        sheet.y += _GAP
    if view.shared_rows:
        sheet.text(0.1, _LANE_TITLE / 2, "Both microphones together", weight="bold")
        sheet.y += _LANE_TITLE
        _draw_rows(sheet, view, view.shared_rows)
    _draw_time_axis(sheet, view)
    for line in legend:
        _draw_legend_line(sheet, line)
    return sheet.figure


def _draw_header(sheet: _Sheet, record: TakeRecord, view: Picture) -> None:
    sheet.text(
        0.1, 0.24, short_name(record.take.name, 52), weight="bold", fontsize=_TITLE, va="center"
    )
    words = verdict_words(record)
    sheet.text(
        0.1, 0.52, words.headline, color=codes.TONE_COLOURS[words.tone], weight="bold",
        fontsize=_TEXT + 1,
    )  # fmt: skip
    sheet.y += _HEADER
    if record.take.timecode:
        sheet.text(0.1, 0.17, "timecode", fontsize=_SMALL - 0.8)
        for at_s in _spread(view.ticks_s, 4):
            label = timecode_at(record.take.timecode, at_s) or ""
            sheet.text(_x_in(view, at_s), 0.17, label, fontsize=_SMALL, ha=_align(view, at_s))
        sheet.y += _TIMECODE_AXIS


def _draw_lane(sheet: _Sheet, view: Picture, lane: Lane) -> None:
    title = f"{lane.role.capitalize()}" + (f", channel {lane.channel}" if lane.channel else "")
    sheet.text(0.1, _LANE_TITLE / 2, title, weight="bold")
    if lane is view.lanes[0]:
        key = "dark: this person talks   pale: they do not"
        sheet.text(_WIDTH - _RIGHT, _LANE_TITLE / 2, key, ha="right", fontsize=_SMALL)
    sheet.y += _LANE_TITLE
    axes = sheet.axes(_LANE_HEIGHT)
    axes.set_xlim(0, view.duration_s)
    axes.set_ylim(FLOOR_DB, _HEADROOM_DB)
    axes.set_yticks([0, -20, -40, -60], ["0 dB", "−20", "−40", "−60"])
    axes.vlines(view.ticks_s, FLOOR_DB, 0, colors=codes.GRID, linewidth=0.7, zorder=0)
    axes.hlines([-20, -40, -60], 0, view.duration_s, colors=codes.GRID, linewidth=0.7, zorder=0)
    _draw_level(axes, lane)
    axes.hlines([0], 0, view.duration_s, colors=codes.INK, linewidth=0.9, zorder=4)
    axes.hlines([FLOOR_DB], 0, view.duration_s, colors=codes.INK, linewidth=0.9, zorder=4)
    _draw_notes(axes, view, lane)
    for span in lane.at_risk:
        _draw_bracket(axes, view, lane, span)
    for row in lane.rows:
        _draw_damage(axes, view, row)
    _draw_rows(sheet, view, lane.rows)


def _draw_level(axes: Axes, lane: Lane) -> None:
    if not len(lane.rms_dbfs):
        axes.text(0.5, 0.5, "no level recorded in this report", transform=axes.transAxes,
                  ha="center", fontsize=_TEXT)  # fmt: skip
        return
    rms = np.clip(np.nan_to_num(lane.rms_dbfs, nan=FLOOR_DB), FLOOR_DB, None)
    peak = np.clip(np.nan_to_num(lane.peak_dbfs, nan=FLOOR_DB), FLOOR_DB, None)
    x = np.repeat(lane.edges_s, 2)[1:-1]
    for values, colours, order in (
        (peak, ("#e9ecef", "#c9d3dc"), 1),
        (rms, (codes.SILENCE, codes.SPEECH), 2),
    ):
        y = np.repeat(values, 2)
        talk = np.repeat(lane.speaking, 2)
        for wanted, colour in zip((False, True), colours, strict=True):
            axes.fill_between(
                x, FLOOR_DB, np.where(talk == wanted, y, FLOOR_DB), color=colour, linewidth=0,
                zorder=order,
            )  # fmt: skip


def _draw_notes(axes: Axes, view: Picture, lane: Lane) -> None:
    """The background as a dashed line and the loudest moment as a small open circle."""
    halo = {"boxstyle": "round,pad=0.15", "facecolor": "#ffffffd8", "edgecolor": "none"}
    if lane.noise_dbfs is not None:
        axes.hlines([lane.noise_dbfs], 0, view.duration_s, colors=codes.INK, linewidth=1.1,
                    linestyles=(0, (5, 3)), zorder=5)  # fmt: skip
        axes.text(view.duration_s * 0.995, max(lane.noise_dbfs, FLOOR_DB + 1) + 2,
                  f"background {number(lane.noise_dbfs, 0)}", ha="right", va="bottom",
                  fontsize=_SMALL, color=codes.INK, bbox=halo, zorder=6)  # fmt: skip
    if lane.loudest_dbtp is not None and lane.loudest_at_s is not None:
        at_s, level = lane.loudest_at_s, min(lane.loudest_dbtp, 2.0)
        axes.plot([at_s], [level], "o", markersize=5.5, markerfacecolor=codes.PAPER,
                  markeredgecolor=codes.INK, zorder=7, clip_on=False)  # fmt: skip
        left = at_s < view.duration_s * 0.75
        axes.annotate(f"loudest {number(lane.loudest_dbtp)}", (at_s, level),
                      (6 if left else -6, -9), textcoords="offset points",
                      ha="left" if left else "right", va="center", fontsize=_SMALL,
                      color=codes.INK, bbox=halo, zorder=6)  # fmt: skip


def _draw_bracket(axes: Axes, view: Picture, lane: Lane, span: Span) -> None:
    """A turn at risk: a bar above full scale, labelled where there is room for the words."""
    urgent = span.urgent and lane.role == "subject"
    colour = codes.FAMILY_COLOURS["damage"] if urgent else codes.INK
    width = max(span.end_s - span.start_s, _min_seconds(view))
    height = 2.4 if urgent else 1.2
    axes.add_patch(Rectangle((span.start_s, 2.0), width, height, color=colour, linewidth=0))
    words = "ask again" if urgent else "say it again later" if span.urgent else "a copy exists"
    if width / view.duration_s > 0.014 * len(words):
        axes.text(span.start_s + width / 2, 7.6, words, ha="center", va="center", fontsize=_SMALL,
                  color=colour, weight="bold", zorder=6)  # fmt: skip


def _draw_damage(axes: Axes, view: Picture, row: Row) -> None:
    """A thin line up the lane where a problem spoils the sound, to tie the row to the level."""
    colour = codes.FAMILY_COLOURS[row.kind.family]
    for mark in row.marks:
        if mark.severity == "fail":
            width = max(mark.end_s - mark.start_s, _min_seconds(view) / 2)
            # A long stretch stays pale, so that the level under it can still be read.
            strength = 0.35 if width < 0.01 * view.duration_s else 0.13
            axes.add_patch(
                Rectangle((mark.start_s, FLOOR_DB), width, -FLOOR_DB, color=colour, alpha=strength,
                          linewidth=0, zorder=3)
            )  # fmt: skip


def _draw_rows(sheet: _Sheet, view: Picture, rows: list[Row]) -> None:
    for row in rows:
        _draw_badge(sheet, row.kind, _LEFT - 0.2)
        axes = sheet.axes(_ROW_HEIGHT)
        axes.set_xlim(0, view.duration_s)
        axes.set_ylim(0, 1)
        axes.set_yticks([])
        axes.vlines(view.ticks_s, 0, 1, colors=codes.GRID, linewidth=0.7, zorder=0)
        axes.hlines([0.5], 0, view.duration_s, colors=codes.GRID, linewidth=0.7, zorder=0)
        colour = codes.FAMILY_COLOURS[row.kind.family]
        following = [mark.start_s for mark in row.marks[1:]] + [view.duration_s]
        for mark, next_s in zip(row.marks, following, strict=True):
            width = max(mark.end_s - mark.start_s, _min_seconds(view))
            start = min(mark.start_s, view.duration_s - width)
            half = {"fail": 0.42, "warn": 0.25, "note": 0.12}[mark.severity]
            axes.add_patch(
                Rectangle((start, 0.5 - half), width, 2 * half, facecolor=colour, linewidth=0,
                          zorder=3)
            )  # fmt: skip
            _number_mark(axes, view, str(mark.problem), start + width, next_s)


def _number_mark(axes: Axes, view: Picture, text: str, from_s: float, to_s: float) -> None:
    """Write a problem's number right of its mark where it fits before the next mark."""
    needed = (0.085 * len(text) + 0.05) * view.duration_s / (_WIDTH - _LEFT - _RIGHT)
    if from_s + needed <= to_s:
        axes.text(from_s + needed * 0.12, 0.47, text, fontsize=_SMALL - 0.6, va="center",
                  ha="left", color=codes.INK, zorder=4,
                  bbox={"facecolor": codes.PAPER, "edgecolor": "none", "pad": 0.6})  # fmt: skip


def _draw_badge(sheet: _Sheet, kind: codes.Kind, x: float) -> None:
    sheet.text(
        x, _ROW_HEIGHT / 2, kind.letter, ha="center", weight="bold", fontsize=_SMALL, color="white",
        bbox={"boxstyle": "round,pad=0.22", "facecolor": codes.FAMILY_COLOURS[kind.family],
              "edgecolor": "none"},
    )  # fmt: skip


def _draw_time_axis(sheet: _Sheet, view: Picture) -> None:
    for at_s in view.ticks_s:
        sheet.text(_x_in(view, at_s), 0.13, tick_label(at_s), fontsize=_SMALL,
                   ha=_align(view, at_s))  # fmt: skip
    sheet.text(0.1, 0.13, "time", fontsize=_SMALL - 0.8)
    sheet.y += _TIME_AXIS


def _legend_lines(view: Picture) -> list[list[tuple[codes.Kind | None, str]]]:
    """Two kinds a line, then how to read the marks."""
    entries: list[tuple[codes.Kind | None, str]] = [(k, k.title) for k in view.kinds]
    lines = [entries[i : i + 2] for i in range(0, len(entries), 2)]
    explain = ["0 dB is the most a recording can hold. Dashed: the background, nobody speaks."]
    if view.kinds:
        explain += [
            "Marks: tall spoils it, middle take care, low good to know.  Numbers: the list."
        ]
    else:
        explain += ["No problem was found."]
    for line in explain:
        lines.append([(None, line)])
    return lines


def _draw_legend_line(sheet: _Sheet, line: list[tuple[codes.Kind | None, str]]) -> None:
    for column, (kind, words) in enumerate(line):
        x = 0.22 + column * (_WIDTH - 0.2) / 2
        if kind:
            _draw_badge(sheet, kind, x)
        sheet.text(x + 0.18 if kind else 0.1, _LEGEND_LINE / 2, words, fontsize=_SMALL)
    sheet.y += _LEGEND_LINE


def _x_in(view: Picture, at_s: float) -> float:
    return _LEFT + at_s / view.duration_s * (_WIDTH - _LEFT - _RIGHT)


def _align(view: Picture, at_s: float) -> str:
    """Keep the labels at both ends inside the picture."""
    share = at_s / view.duration_s
    return "left" if share < 0.03 else "right" if share > 0.95 else "center"


def _spread(times: list[float], most: int) -> list[float]:
    """Every so-many-th of ``times`` so that at most about ``most`` remain."""
    return times[:: max(1, -(-len(times) // most))]


def _min_seconds(view: Picture) -> float:
    return _MIN_MARK_IN / (_WIDTH - _LEFT - _RIGHT) * view.duration_s
