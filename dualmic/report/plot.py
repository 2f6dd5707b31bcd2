"""The picture of a take as PNG and SVG, through matplotlib's object interface.

Drawn at the width of an A4 column with type large enough to read on a phone: what each letter
means is written out under the lanes, because colour and letter alone explain nothing.
"""

import contextlib
import io
import itertools
import logging
import re
import warnings
from collections.abc import Iterator
from typing import Any

import matplotlib
import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.collections import PolyCollection
from matplotlib.colors import to_rgba
from matplotlib.figure import Figure
from numpy.typing import NDArray

from dualmic.record import TakeRecord
from dualmic.report import codes
from dualmic.report.fonts import families_for
from dualmic.report.picture import FLOOR_DB, Lane, Picture, Row, Span, picture, tick_label
from dualmic.report.verdict import verdict_words
from dualmic.report.words import number, short_name
from dualmic.timecode import at as timecode_at

# All sizes in inches on paper, type in points (our choice: 1:1 on A4, 9 CSS pixels on a phone).
_WIDTH, _LEFT, _RIGHT = 7.2, 0.76, 0.18
_LANE_HEIGHT, _ROW_HEIGHT, _LANE_TITLE, _GAP = 1.28, 0.235, 0.46, 0.16
_HEADER, _TIMECODE_AXIS, _TIME_AXIS, _LEGEND_LINE = 0.70, 0.30, 0.46, 0.235
_TEXT, _SMALL, _TITLE = 10.0, 8.8, 13.5
_PLOT_WIDTH = _WIDTH - _LEFT - _RIGHT
_PNG_DPI = 200
_MIN_MARK = 0.035
_HALO = {"boxstyle": "round,pad=0.15", "facecolor": "#ffffffd8", "edgecolor": "none"}


def images(record: TakeRecord) -> tuple[bytes, bytes]:
    """Return the picture as PNG, 1440 pixels wide, and as SVG whose text is text.

    The same record gives the same bytes.
    """
    style: dict[Any, Any] = {
        "font.family": families_for(record.take.name),
        "svg.fonttype": "none",
        "svg.hashsalt": "dualmic",
        "text.parse_math": False,  # a dollar in a name is a dollar
    }
    with _quiet(), matplotlib.rc_context(style):
        figure = _Drawing(record).figure
        png, svg = io.BytesIO(), io.BytesIO()
        FigureCanvasAgg(figure).print_png(png, metadata={"Software": None})
        about = {"Date": None, "Creator": "dualmic", "Title": record.take.name}
        FigureCanvasSVG(figure).print_svg(svg, metadata=about)
    return png.getvalue(), re.sub(rb' d="[^"]+"', _round_path, svg.getvalue())


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    """Keep matplotlib from reporting that a font lacks a letter or a weight: it helps nobody."""
    log = logging.getLogger("matplotlib.font_manager")
    before = log.level
    log.setLevel(logging.ERROR)
    try:
        with warnings.catch_warnings(action="ignore", category=UserWarning):
            yield
    finally:
        log.setLevel(before)


def _round_path(path: re.Match[bytes]) -> bytes:
    """Keep two decimals of a point, a fiftieth of a hair, and halve the file."""
    return re.sub(rb"(\.\d\d)\d+", rb"\1", path[0])


class _Drawing:
    """Draws a figure from the top down, in inches; ``y`` is how far down it has come.

    One pair of axes covers the whole figure and counts in inches, which is many times faster than
    a pair for every lane and row.
    """

    def __init__(self, record: TakeRecord) -> None:
        self.record, self.view = record, picture(record)
        legend = _legend_lines(self.view)
        self.y, height = 0.0, _height(record, self.view, len(legend))
        self.figure = Figure(figsize=(_WIDTH, height), dpi=_PNG_DPI, facecolor=codes.PAPER)
        self.axes = self.figure.add_axes((0, 0, 1, 1))
        self.axes.set_axis_off()
        self.axes.set_xlim(0, _WIDTH)
        self.axes.set_ylim(height, 0)
        self._boxes: dict[int, list[tuple[Any, str, float]]] = {}
        self._header()
        for number_, lane in enumerate(self.view.lanes):
            self._lane(lane, with_key=number_ == 0)
        if self.view.shared_rows:
            self.text(0.1, self.y + _LANE_TITLE / 2, "Both microphones together", weight="bold")
            self.y += _LANE_TITLE
            self._rows(self.view.shared_rows)
        self._time_axis()
        for line in legend:
            self._legend_line(line)
        self._add_boxes()

    def text(self, x: float, y: float, text: str, **style: Any) -> None:
        """Write ``text`` at a place in inches."""
        style = {"va": "center", "color": codes.INK, "fontsize": _TEXT, "zorder": 8, **style}
        self.axes.text(x, y, text, **style)

    def box(
        self, x: float, y: float, width: float, height: float, colour: str, *,
        order: int = 3, alpha: float = 1.0,
    ) -> None:  # fmt: skip
        """Fill a rectangle; all of one ``order`` are drawn together."""
        corners = ((x, y), (x + width, y), (x + width, y + height), (x, y + height))
        self._boxes.setdefault(order, []).append((corners, colour, alpha))

    def line(self, y: float, colour: str, thickness: float = 0.01, order: int = 0) -> None:
        """Draw a line across the plot."""
        self.box(_LEFT, y - thickness / 2, _PLOT_WIDTH, thickness, colour, order=order)

    def _add_boxes(self) -> None:
        for order, boxes in self._boxes.items():
            corners = [box[0] for box in boxes]
            colours = [to_rgba(colour, alpha) for _, colour, alpha in boxes]
            self._polygons(corners, colours, order)

    def _polygons(self, corners: list[Any], colours: list[Any], order: int) -> None:
        polygons = PolyCollection(corners, facecolors=colours, linewidths=0, zorder=order)
        self.axes.add_collection(polygons, autolim=False)

    def _x(self, at_s: float) -> float:
        return _LEFT + at_s / self.view.duration_s * _PLOT_WIDTH

    def _header(self) -> None:
        words = verdict_words(self.record)
        name = short_name(self.record.take.name, 52)
        self.text(0.1, 0.24, name, weight="bold", fontsize=_TITLE)
        self.text(0.1, 0.52, words.headline, color=codes.TONE_COLOURS[words.tone], weight="bold",
                  fontsize=_TEXT + 1)  # fmt: skip
        self.y += _HEADER
        if self.record.take.timecode:
            self.text(0.1, self.y + 0.17, "timecode", fontsize=_SMALL - 0.8)
            for at_s in _spread(self.view.ticks_s, 4):
                label = timecode_at(self.record.take.timecode, at_s) or ""
                self.text(self._x(at_s), self.y + 0.17, label, fontsize=_SMALL,
                          ha=self._align(at_s))  # fmt: skip
            self.y += _TIMECODE_AXIS

    def _lane(self, lane: Lane, *, with_key: bool) -> None:
        title = lane.role.capitalize() + (f", channel {lane.channel}" if lane.channel else "")
        self.text(0.1, self.y + 0.16, title, weight="bold")
        if with_key:
            key = "dark: this person talks   pale: they do not"
            self.text(_WIDTH - _RIGHT, self.y + 0.16, key, ha="right", fontsize=_SMALL)
        self.y += _LANE_TITLE
        self._grid(_LANE_HEIGHT)
        for db in (0, -20, -40, -60):
            label = "0 dB" if db == 0 else number(db, 0)
            self.text(_LEFT - 0.06, self._level(db), label, ha="right", fontsize=_SMALL)
            self.line(self._level(db), codes.INK if db == 0 else codes.GRID, order=4 * (db == 0))
        self.line(self._level(FLOOR_DB), codes.INK, order=4)
        self._levels(lane)
        self._notes(lane)
        for span in lane.at_risk:
            self._bracket(lane, span)
        for row in lane.rows:
            self._damage(row)
        self.y += _LANE_HEIGHT
        self._rows(lane.rows)
        self.y += _GAP

    def _grid(self, height: float) -> None:
        for at_s in self.view.ticks_s:
            self.box(self._x(at_s) - 0.005, self.y, 0.01, height, codes.GRID, order=0)

    def _level(self, db: float) -> float:
        """Return where a level lies in the lane that begins at ``y``."""
        return self.y + _LANE_HEIGHT * min(1.0, max(0.0, db / FLOOR_DB))

    def _levels(self, lane: Lane) -> None:
        if not len(lane.rms_dbfs):
            self.text(_LEFT + _PLOT_WIDTH / 2, self.y + _LANE_HEIGHT / 2,
                      "no level recorded in this report", ha="center")  # fmt: skip
            return
        x = _LEFT + lane.edges_s / self.view.duration_s * _PLOT_WIDTH
        bottom = self._level(FLOOR_DB)
        for levels_db, silent, speaking, order in (
            (lane.peak_dbfs, "#e9ecef", "#c9d3dc", 1),
            (lane.rms_dbfs, codes.SILENCE, codes.SPEECH, 2),
        ):
            levels = np.clip(np.nan_to_num(levels_db, nan=FLOOR_DB), FLOOR_DB, 0.0)
            y = self.y + _LANE_HEIGHT * levels / FLOOR_DB
            start, areas, colours = 0, [], []
            for talks, group in itertools.groupby(lane.speaking):
                stop = start + len(list(group))
                areas.append(_area(x[start : stop + 1], y[start:stop], bottom))
                colours.append(speaking if talks else silent)
                start = stop
            self._polygons(areas, colours, order)

    def _notes(self, lane: Lane) -> None:
        """The background as a dashed line and the loudest moment as a small open circle."""
        right = _LEFT + _PLOT_WIDTH
        if lane.noise_dbfs is not None:
            level = self._level(lane.noise_dbfs)
            self.axes.plot([_LEFT, right], [level, level], color=codes.INK, linewidth=1.1,
                           linestyle=(0, (5, 3)), zorder=5)  # fmt: skip
            self.text(right - 0.04, level - 0.1, f"background {number(lane.noise_dbfs, 0)}",
                      ha="right", fontsize=_SMALL, bbox=_HALO, zorder=6)  # fmt: skip
        if lane.loudest_dbtp is not None and lane.loudest_at_s is not None:
            x, level = self._x(lane.loudest_at_s), self._level(lane.loudest_dbtp)
            self.axes.plot([x], [level], "o", markersize=5.5, markerfacecolor=codes.PAPER,
                           markeredgecolor=codes.INK, zorder=7)  # fmt: skip
            left = x < _LEFT + 0.75 * _PLOT_WIDTH
            self.text(x + (0.1 if left else -0.1), level + 0.13,
                      f"loudest {number(lane.loudest_dbtp)}", ha="left" if left else "right",
                      fontsize=_SMALL, bbox=_HALO, zorder=6)  # fmt: skip

    def _bracket(self, lane: Lane, span: Span) -> None:
        """A turn at risk: a bar above full scale, labelled where there is room for the words."""
        urgent = span.urgent and lane.role == "subject"
        colour = codes.FAMILY_COLOURS["damage"] if urgent else codes.INK
        x, height = self._x(span.start_s), 0.045 if urgent else 0.022
        width = max(self._x(span.end_s) - x, _MIN_MARK)
        self.box(x, self.y - 0.03 - height, width, height, colour, order=6)
        words = "ask again" if urgent else "say it again later" if span.urgent else "a copy exists"
        if width > 0.085 * len(words):
            self.text(x + width / 2, self.y - 0.145, words, ha="center", fontsize=_SMALL,
                      color=colour, weight="bold")  # fmt: skip

    def _damage(self, row: Row) -> None:
        """A pale band up the lane where a problem spoils the sound, to tie row and level."""
        for mark in row.marks:
            if mark.severity == "fail":
                x = self._x(mark.start_s)
                width = max(self._x(mark.end_s) - x, _MIN_MARK / 2)
                # A long stretch stays pale, so that the level under it can still be read.
                alpha = 0.35 if width < 0.01 * _PLOT_WIDTH else 0.13
                colour = codes.FAMILY_COLOURS[row.kind.family]
                self.box(x, self.y, width, _LANE_HEIGHT, colour, order=3, alpha=alpha)

    def _rows(self, rows: list[Row]) -> None:
        for row in rows:
            middle = self.y + _ROW_HEIGHT / 2
            self._grid(_ROW_HEIGHT)
            self.line(middle, codes.GRID)
            self._badge(row.kind, _LEFT - 0.2, middle)
            colour = codes.FAMILY_COLOURS[row.kind.family]
            following = [self._x(mark.start_s) for mark in row.marks[1:]] + [_LEFT + _PLOT_WIDTH]
            for mark, free_to in zip(row.marks, following, strict=True):
                x = min(self._x(mark.start_s), _LEFT + _PLOT_WIDTH - _MIN_MARK)
                width = max(self._x(mark.end_s) - x, _MIN_MARK)
                half = {"fail": 0.42, "warn": 0.25, "note": 0.12}[mark.severity] * _ROW_HEIGHT
                self.box(x, middle - half, width, 2 * half, colour, order=4)
                text = str(mark.problem)
                needed = 0.085 * len(text) + 0.05
                if x + width + needed <= free_to:
                    self.box(x + width, middle - 0.06, needed, 0.12, codes.PAPER, order=1)
                    self.text(x + width + 0.02, middle, text, fontsize=_SMALL - 0.6)
            self.y += _ROW_HEIGHT

    def _badge(self, kind: codes.Kind, x: float, y: float) -> None:
        box = {"boxstyle": "round,pad=0.22", "facecolor": codes.FAMILY_COLOURS[kind.family],
               "edgecolor": "none"}  # fmt: skip
        self.text(x, y, kind.letter, ha="center", weight="bold", fontsize=_SMALL,
                  color=codes.PAPER, bbox=box)  # fmt: skip

    def _time_axis(self) -> None:
        self.text(0.1, self.y + 0.13, "time", fontsize=_SMALL - 0.8)
        for at_s in self.view.ticks_s:
            self.text(self._x(at_s), self.y + 0.13, tick_label(at_s), fontsize=_SMALL,
                      ha=self._align(at_s))  # fmt: skip
        self.y += _TIME_AXIS

    def _align(self, at_s: float) -> str:
        """Keep the labels at both ends inside the picture."""
        share = at_s / self.view.duration_s
        return "left" if share < 0.03 else "right" if share > 0.95 else "center"

    def _legend_line(self, line: list[tuple[codes.Kind | None, str]]) -> None:
        middle = self.y + _LEGEND_LINE / 2
        for column, (kind, words) in enumerate(line):
            x = 0.22 + column * (_WIDTH - 0.2) / 2
            if kind:
                self._badge(kind, x, middle)
            self.text(x + 0.18 if kind else 0.1, middle, words, fontsize=_SMALL)
        self.y += _LEGEND_LINE


def _area(x: NDArray[np.float64], y: NDArray[np.float64], bottom: float) -> NDArray[np.float64]:
    """Return the outline of a stepped area: ``len(y)`` columns between ``len(y) + 1`` edges."""
    edges = np.concatenate(([x[0]], np.repeat(x, 2)[1:-1], [x[-1]]))
    return np.column_stack((edges, np.concatenate(([bottom], np.repeat(y, 2), [bottom]))))


def _height(record: TakeRecord, view: Picture, legend_lines: int) -> float:
    """Return how high the figure must be, inches."""
    lanes = sum(
        _LANE_TITLE + _LANE_HEIGHT + len(lane.rows) * _ROW_HEIGHT + _GAP for lane in view.lanes
    )
    shared = _LANE_TITLE + len(view.shared_rows) * _ROW_HEIGHT if view.shared_rows else 0
    axes = _TIME_AXIS + (_TIMECODE_AXIS if record.take.timecode else 0)
    return _HEADER + lanes + shared + axes + legend_lines * _LEGEND_LINE + 0.15


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


def _spread(times: list[float], most: int) -> list[float]:
    """Every so-many-th of ``times`` so that at most about ``most`` remain."""
    return times[:: max(1, -(-len(times) // most))]
