"""The picture of a take on the sheet: the same lanes and rows as the plot, as vectors and text."""

import itertools

import numpy as np
from fpdf import FPDF

from dualmic.record import TakeRecord
from dualmic.report import codes
from dualmic.report.picture import FLOOR_DB, Lane, Picture, Row, picture, tick_label
from dualmic.report.words import number
from dualmic.timecode import at as timecode_at

# Millimetres and points on paper.
_LEFT, _LANE, _ROW, _TITLE, _AXIS = 12.0, 15.5, 3.3, 4.2, 4.0
_TEXT, _SMALL = 6.8, 6.0
_COLUMNS = 480


def draw_picture(pdf: FPDF, record: TakeRecord, x: float, y: float, width: float) -> None:
    """Draw the picture with its top left at ``x``, ``y`` (mm), and move the pen below it."""
    view = picture(record, columns=_COLUMNS, ticks=8)
    drawing = _Drawing(pdf, record, view, x + _LEFT, y, width - _LEFT)
    with pdf.local_context():
        drawing.draw()
    pdf.set_xy(pdf.l_margin, drawing.y)


class _Drawing:
    """Draws from the top down; ``y`` is where it has come to, mm."""

    def __init__(
        self, pdf: FPDF, record: TakeRecord, view: Picture, x: float, y: float, width: float
    ) -> None:
        self.pdf, self.record, self.view = pdf, record, view
        self.x, self.y, self.width = x, y, width

    def at(self, seconds: float) -> float:
        """Return where a time lies, mm from the left."""
        return self.x + seconds / self.view.duration_s * self.width

    def draw(self) -> None:
        """Draw everything."""
        if self.record.take.timecode:
            for at_s in self.view.ticks_s[::2]:
                self._tick(at_s, timecode_at(self.record.take.timecode, at_s) or "")
            self.y += _AXIS
        for lane in self.view.lanes:
            self._text(self.x, self.y + 0.4, f"{lane.role.capitalize()}, channel {lane.channel}",
                       bold=True)  # fmt: skip
            self.y += _TITLE
            self._lane(lane)
            self.y += _LANE
            self._rows(lane.rows)
            self.y += 1.2
        if self.view.shared_rows:
            self._text(self.x, self.y + 0.4, "Both microphones together", bold=True)
            self.y += _TITLE
            self._rows(self.view.shared_rows)
        for at_s in self.view.ticks_s:
            self._tick(at_s, tick_label(at_s))
        self.y += _AXIS
        self._legend()

    def _lane(self, lane: Lane) -> None:
        for db in (0, -20, -40, -60):
            self._line(self.x, self._level(db), self.x + self.width, self._level(db),
                       codes.INK if db == 0 else codes.GRID)  # fmt: skip
            self._text(self.x - 1, self._level(db) - 1.4, number(db, 0), align="R", size=_SMALL)
        if len(lane.rms_dbfs):
            self._area(lane, lane.peak_dbfs, "#e9ecef", "#c9d3dc")
            self._area(lane, lane.rms_dbfs, codes.SILENCE, codes.SPEECH)
        for row in lane.rows:
            for mark in row.marks:
                if mark.severity == "fail":
                    self._line(self.at(mark.start_s), self.y, self.at(mark.start_s),
                               self.y + _LANE, codes.FAMILY_COLOURS[row.kind.family])  # fmt: skip
        for span in lane.at_risk:
            urgent = span.urgent and lane.role == "subject"
            colour = codes.FAMILY_COLOURS["damage"] if urgent else codes.INK
            self._box(self.at(span.start_s), self.y - 1.1, self.at(span.end_s), 0.9, colour)
        if lane.noise_dbfs is not None:
            self.pdf.set_dash_pattern(1.0, 0.7)
            level = self._level(lane.noise_dbfs)
            self._line(self.x, level, self.x + self.width, level, codes.INK)
            self.pdf.set_dash_pattern()
        self._line(self.x, self.y + _LANE, self.x + self.width, self.y + _LANE, codes.INK)

    def _area(self, lane: Lane, levels_db: np.ndarray, silent: str, speaking: str) -> None:
        """Fill under a level, in one polygon for every stretch of talk or of none."""
        levels = np.clip(np.nan_to_num(levels_db, nan=FLOOR_DB), FLOOR_DB, 0.0)
        start = 0
        for talks, group in itertools.groupby(lane.speaking):
            stop = start + len(list(group))
            points = [(self.at(lane.edges_s[start]), self.y + _LANE)]
            for column in range(start, stop):
                level = self._level(float(levels[column]))
                points.append((self.at(lane.edges_s[column]), level))
                points.append((self.at(lane.edges_s[column + 1]), level))
            points.append((self.at(lane.edges_s[stop]), self.y + _LANE))
            self.pdf.set_fill_color(speaking if talks else silent)
            self.pdf.polygon(points, style="F")
            start = stop

    def _rows(self, rows: list[Row]) -> None:
        for row in rows:
            colour = codes.FAMILY_COLOURS[row.kind.family]
            self._badge(self.x - 4.2, self.y + 0.3, row.kind)
            middle = self.y + _ROW / 2
            self._line(self.x, middle, self.x + self.width, middle, codes.GRID)
            following = [self.at(mark.start_s) for mark in row.marks[1:]] + [self.x + self.width]
            for mark, free_to in zip(row.marks, following, strict=True):
                half = {"fail": 1.4, "warn": 0.85, "note": 0.4}[mark.severity]
                start = min(self.at(mark.start_s), self.x + self.width - 0.7)
                end = max(self.at(mark.end_s), start + 0.7)
                self._box(start, middle - half, end, 2 * half, colour)
                text = str(mark.problem)
                if end + 1.1 * len(text) + 0.6 < free_to:
                    self._text(end + 0.3, middle - 1.35, text, size=_SMALL)
            self.y += _ROW

    def _legend(self) -> None:
        x = self.x - 4.2
        for kind in self.view.kinds:
            self.pdf.set_font("body", "", _SMALL)
            needed = self.pdf.get_string_width(kind.title) + 8
            if x + needed > self.x + self.width:
                x, self.y = self.x - 4.2, self.y + _ROW + 0.6
            self._badge(x, self.y + 0.4, kind)
            self._text(x + 3.6, self.y + 0.35, kind.title, size=_SMALL)
            x += needed
        if self.view.kinds:
            self.y += _ROW + 0.8
        words = "Dark: this person talks; pale: they do not. Dashed: the background. 0 dB: full."
        if self.view.kinds:
            words += " Marks: tall spoils it, middle take care, low good to know."
        self._text(self.x - 4.2, self.y, words, size=_SMALL)
        self.y += 3.4

    def _level(self, db: float) -> float:
        return self.y + _LANE * max(0.0, min(1.0, db / FLOOR_DB))

    def _tick(self, at_s: float, text: str) -> None:
        share = at_s / self.view.duration_s
        align = "L" if share < 0.02 else "R" if share > 0.96 else "C"
        self._text(self.at(at_s), self.y + 0.6, text, align=align, size=_SMALL)

    def _badge(self, x: float, y: float, kind: codes.Kind) -> None:
        self._box(x, y, x + 2.8, 2.7, codes.FAMILY_COLOURS[kind.family])
        self._text(x + 1.4, y + 0.02, kind.letter, align="C", bold=True, colour="#ffffff",
                   size=_SMALL)  # fmt: skip

    def _box(self, x: float, y: float, to_x: float, height: float, colour: str) -> None:
        self.pdf.set_fill_color(colour)
        self.pdf.rect(x, y, max(to_x - x, 0.3), height, style="F")

    def _line(self, x: float, y: float, to_x: float, to_y: float, colour: str) -> None:
        self.pdf.set_draw_color(colour)
        self.pdf.set_line_width(0.18)
        self.pdf.line(x, y, to_x, to_y)

    def _text(
        self,
        x: float,
        y: float,
        text: str,
        *,
        align: str = "L",
        bold: bool = False,
        size: float = _TEXT,
        colour: str = codes.INK,
    ) -> None:
        self.pdf.set_font("body", "B" if bold else "", size)
        self.pdf.set_text_color(colour)
        width = self.pdf.get_string_width(text)
        left = x - width * {"L": 0.0, "C": 0.5, "R": 1.0}[align]
        self.pdf.set_xy(left - self.pdf.c_margin, y)
        self.pdf.cell(width + 2 * self.pdf.c_margin, size * 0.4, text)
