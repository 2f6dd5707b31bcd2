"""Tables on the sheet: wrapped cells, light lines, a heading repeated on every page.

The library's own table measures every cell several times; a list of 300 problems took it ten
seconds. This one measures every word once.
"""

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from fpdf import FPDF

from dualmic.report import codes

# Millimetres and points (our choice: readable at arm's length on paper, no larger).
_LINE, _PAD_TOP, _PAD_RIGHT, _PAD_LEFT = 2.9, 0.32, 0.8, 0.2
_SIZE = 6.7


class Cell(NamedTuple):
    """A cell that is more than text: bold, coloured, or filled and centred like a badge."""

    text: str
    colour: str = codes.INK
    bold: bool = False
    fill: str | None = None


class Table:
    """Draws tables on a document whose font family is called ``body``."""

    def __init__(self, pdf: FPDF) -> None:
        self._pdf = pdf
        self._word_widths: dict[tuple[str, bool], float] = {}

    def draw(
        self,
        head: Sequence[str] | None,
        widths: Iterable[float],
        rows: Iterable[Sequence[str | Cell]],
    ) -> None:
        """Draw a table over the whole width; ``widths`` are shares of it."""
        pdf = self._pdf
        shares = list(widths)
        columns = [pdf.epw * share / sum(shares) for share in shares]
        titles = [Cell(text, codes.TONE_COLOURS["none"], True) for text in head or ()]
        if titles:
            self._row(titles, columns, titles_again=None)
        for row in rows:
            cells = [cell if isinstance(cell, Cell) else Cell(cell) for cell in row]
            self._row(cells, columns, titles_again=titles)

    def _row(
        self, cells: list[Cell], columns: list[float], titles_again: list[Cell] | None
    ) -> None:
        pdf = self._pdf
        lines = [
            self._wrap(cell, width - _PAD_LEFT - _PAD_RIGHT)
            for cell, width in zip(cells, columns, strict=True)
        ]
        height = max(len(wrapped) for wrapped in lines) * _LINE + 2 * _PAD_TOP
        if pdf.will_page_break(height):
            pdf.add_page()
            if titles_again:
                self._row(titles_again, columns, titles_again=None)
        x, y = pdf.l_margin, pdf.get_y()
        for cell, wrapped, width in zip(cells, lines, columns, strict=True):
            if cell.fill:
                pdf.set_fill_color(cell.fill)
                pdf.rect(x, y + 0.3, width - _PAD_RIGHT, _LINE + 2 * _PAD_TOP - 0.6, style="F")
            pdf.set_font("body", "B" if cell.bold else "", _SIZE)
            pdf.set_text_color(cell.colour)
            badge = len(cell.text) == 1 and cell.bold
            for number, line in enumerate(wrapped):
                pdf.set_xy(x + _PAD_LEFT, y + _PAD_TOP + number * _LINE)
                pdf.cell(width - _PAD_LEFT - _PAD_RIGHT, _LINE, line, align="C" if badge else "L")
            x += width
        pdf.set_draw_color(codes.SILENCE)
        pdf.set_line_width(0.15)
        pdf.line(pdf.l_margin, y + height, pdf.l_margin + sum(columns), y + height)
        pdf.set_xy(pdf.l_margin, y + height)

    def _wrap(self, cell: Cell, width: float) -> list[str]:
        """Break a text into lines; a word wider than the column is broken inside."""
        self._pdf.set_font("body", "B" if cell.bold else "", _SIZE)
        lines, line, used = [], "", 0.0
        space = self._width(" ", cell.bold)
        for word in cell.text.split(" "):
            needed = self._width(word, cell.bold)
            if line and used + space + needed > width:
                lines.append(line)
                line, used = "", 0.0
            while needed > width and len(word) > 1:
                kept = max(1, int(len(word) * width / needed) - 1)
                lines.append(word[:kept])
                word = word[kept:]
                needed = self._width(word, cell.bold)
            line, used = (f"{line} {word}", used + space + needed) if line else (word, needed)
        return [*lines, line]

    def _width(self, word: str, bold: bool) -> float:
        key = (word, bold)
        if key not in self._word_widths:
            self._word_widths[key] = self._pdf.get_string_width(word)
        return self._word_widths[key]
