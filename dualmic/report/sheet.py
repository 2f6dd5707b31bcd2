"""The sheet: a PDF to print or send, one leaf of paper.

The front is for acting (verdict, what to ask again, what to change, the picture, the problems),
the back for the mixer (every limit beside its value, every measurement, the method, room for
notes). A long list of problems runs on over more pages under a repeated heading. The print fits
both A4 and Letter: A4's width and Letter's height are never used up.
"""

import datetime
import importlib.util
import itertools
from collections.abc import Mapping, Sequence
from typing import Any

from fpdf import FPDF
from fpdf.enums import XPos, YPos

from dualmic.record import TakeRecord
from dualmic.report import codes, fonts
from dualmic.report.measurements import microphone_rows, programme_rows
from dualmic.report.outline import CheckRow, DeliveryRows, Outline, outline
from dualmic.report.sheet_picture import draw_picture
from dualmic.report.sheet_table import Cell, Table
from dualmic.report.verdict import ASK_AGAIN_ONLY_IF, AskAgain
from dualmic.report.words import short_name

# Millimetres. Letter is 279.4 high and 215.9 wide, A4 297 and 210 (ISO 216): content that stays
# within 186 by 252 from the top left prints whole on both.
_PAGE, _MARGIN, _BOTTOM = (210.0, 297.0), 12.0, 29.0
_BODY, _SMALL, _TINY = 8.6, 7.4, 6.6
#: With less room than this under the problems, the mixer's part starts on a new page.
_BACK_NEEDS = 110.0
#: Points of detail that a verdict's front page holds before it refers to the page (our choice).
_MOST_ASKED = 12
#: Facts on the front of the sheet, in its first lines.
_HEADLINE_FACTS = ("Recorded", "Length", "Subject", "Interviewer", "Start timecode")
#: Letters that fit half the width beside their label.
_FITS_HALF = 50


class _Sheet(FPDF):
    """An A4 page with our fonts, a running head from page two and a foot."""

    def __init__(self, told: Outline, text: str) -> None:
        super().__init__(format=_PAGE, unit="mm")
        self.told = told
        self.set_margins(_MARGIN, _MARGIN, _MARGIN)
        self.c_margin = 0.2
        self.tables = Table(self)
        self.set_auto_page_break(True, _BOTTOM)
        self.set_title(f"{told.name}: {told.verdict.headline}")
        self.set_lang("en")
        self.set_creator("dualmic")
        # The same record gives the same bytes, and no file tells when it was made.
        self.set_creation_date(datetime.datetime(1970, 1, 1, tzinfo=datetime.UTC))
        fonts.embed(self, text)
        if _needs_shaping(text):
            self.set_text_shaping(True)

    def header(self) -> None:
        """Name the take on every page but the first."""
        if self.page_no() > 1:
            self.write_line(short_name(self.told.name, 80), size=_SMALL, bold=True)
            self.ln(0.8)

    def footer(self) -> None:
        """Number the page."""
        self.set_y(_PAGE[1] - _BOTTOM + 2)
        self.ink(codes.TONE_COLOURS["none"])
        self.set_font("body", "", _TINY)
        self.cell(0, 3, f"{self.page_no()} of {{nb}}", align="R")

    def ink(self, colour: str) -> None:
        """Set the colour of text."""
        self.set_text_color(colour)

    def write_line(
        self, text: str, *, size: float = _BODY, bold: bool = False, colour: str = codes.INK
    ) -> None:
        """Write a paragraph over the whole width."""
        self.set_font("body", "B" if bold else "", size)
        self.ink(colour)
        self.multi_cell(0, size * 0.475, text, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)

    def heading(self, text: str, needs_mm: float = 20.0) -> None:
        """Write a heading that stays with at least ``needs_mm`` of what follows."""
        if self.will_page_break(needs_mm):
            self.add_page()
        elif self.get_y() > _MARGIN + 8:
            self.ln(2.6)
        self.start_section(text, level=0)
        self.write_line(text, size=10.5, bold=True)
        self.ln(0.8)


def pdf(record: TakeRecord, *, labels: Mapping[str, str] | None = None) -> bytes:
    """Return the sheet; ``labels`` are further facts to print, such as project and roll."""
    told = outline(record)
    sheet = _Sheet(told, _all_text(told, labels or {}))
    sheet.add_page()
    _front(sheet, told, record, labels or {})
    _back(sheet, told, record)
    return bytes(sheet.output())


def _needs_shaping(text: str) -> bool:
    """Whether joined or right-to-left letters occur, and the engine that shapes them is there."""
    beyond = any(ord(letter) >= 0x0590 and not 0x2000 <= ord(letter) < 0x2E80 for letter in text)
    return beyond and importlib.util.find_spec("uharfbuzz") is not None


def _all_text(told: Outline, labels: Mapping[str, str]) -> str:
    """All text of people's own making: the only text that may need further fonts."""
    parts = [told.name, told.doubt or "", *told.set_up, *labels.keys(), *labels.values()]
    parts += [value for _, value in told.facts]
    parts += [row.heard + row.advice for row in told.problems]
    parts += [ask.copy or "" for ask in told.ask_again]
    return "".join(parts)


def _front(sheet: _Sheet, told: Outline, record: TakeRecord, labels: Mapping[str, str]) -> None:
    facts = dict(told.facts)
    sheet.write_line(told.name, size=11, bold=True)
    line = [f"{key}: {facts[key]}" for key in _HEADLINE_FACTS if key in facts]
    line += [f"{key}: {value}" for key, value in labels.items()]
    sheet.write_line("   ".join(line), size=_SMALL, colour=codes.TONE_COLOURS["none"])
    sheet.ln(2)
    _verdict(sheet, told)
    if told.doubt:
        sheet.ln(1)
        sheet.write_line(told.doubt, bold=True, colour=codes.TONE_COLOURS["mixed"])
    _ask_again(sheet, told)
    if told.set_up:
        sheet.heading(told.set_up_title, 10)
        for text in told.set_up:
            sheet.write_line(f"–  {text}")
    if told.has_microphones:
        sheet.heading("The take over time", 70)
        draw_picture(sheet, record, sheet.l_margin, sheet.get_y(), sheet.epw)
    _problems(sheet, told)


def _verdict(sheet: _Sheet, told: Outline) -> None:
    top, left = sheet.get_y(), sheet.l_margin
    colour = codes.TONE_COLOURS[told.verdict.tone]
    sheet.set_left_margin(left + 6)
    sheet.set_x(left + 6)
    sheet.write_line(told.verdict.headline, size=18, bold=True, colour=colour)
    sheet.write_line(told.verdict.detail, size=_BODY + 0.6)
    sheet.set_font("body", "B", _BODY + 0.6)
    for delivery in told.deliveries:
        sheet.ink(codes.INK)
        sheet.cell(None, 5.4, f"{delivery.name.capitalize()} ")
        sheet.ink(codes.TONE_COLOURS[delivery.tone])
        sheet.cell(None, 5.4, f"{delivery.result}    ")
    if told.deliveries:
        sheet.ln(5.4)
    sheet.set_left_margin(left)
    sheet.set_x(left)
    sheet.set_fill_color(colour)
    sheet.rect(left, top, 3, sheet.get_y() - top, style="F")


def _ask_again(sheet: _Sheet, told: Outline) -> None:
    lost = [ask for ask in told.ask_again if not ask.covered]
    saved = [ask for ask in told.ask_again if ask.covered]
    if not (lost or saved or told.questions):
        return
    sheet.heading("Ask again", 12)
    this = "this answer" if len(lost) == 1 else "these answers"
    for lead, asks in (
        (f"{ASK_AGAIN_ONLY_IF}, ask for {this} again:", lost),
        ("Damaged, but the same words can be used from another microphone:", saved),
        ("Your own words that are damaged; you can say them again later, alone:", told.questions),
    ):
        if asks:
            sheet.write_line(lead)
            for ask in asks[:_MOST_ASKED]:
                sheet.write_line(f"–  {_asked(ask)}")
            if len(asks) > _MOST_ASKED:
                sheet.write_line(f"–  and {len(asks) - _MOST_ASKED} more: see the page.")


def _asked(ask: AskAgain) -> str:
    question = f", {ask.after_question}" if ask.after_question else ""
    copy = f"; {ask.copy}" if ask.copy else ""
    return f"{ask.where}{question}: {ask.because}{copy}"


def _problems(sheet: _Sheet, told: Outline) -> None:
    sheet.heading("What was found", 24)
    sheet.write_line(told.problem_summary)
    if not told.problems:
        return
    sheet.ln(0.8)
    has_timecode = any(row.timecode for row in told.problems)
    rows: list[tuple[Any, ...]] = []
    for row in told.problems:
        colour = codes.FAMILY_COLOURS[row.kind.family]
        filled = row.problem.severity == "fail"
        letter = Cell(
            row.kind.letter, codes.PAPER if filled else colour, True, colour if filled else None
        )
        where = (row.when, row.timecode) if has_timecode else (row.when,)
        what = (row.mic, f"{row.heard} {row.advice}", row.measured, row.severity)
        rows.append((str(row.problem.id), letter, *where, *what))
    head = ["No.", "", "Where", "Microphone", "Heard, and what to do", "Measured", "How bad"]
    widths = [7, 6, 25, 19, 92, 20, 17]
    if has_timecode:
        head.insert(3, "Timecode")
        widths[3:5] = [20, 19, 72]
    sheet.tables.draw(head, widths, rows)


def _back(sheet: _Sheet, told: Outline, record: TakeRecord) -> None:
    if sheet.will_page_break(_BACK_NEEDS):
        sheet.add_page()
    if told.deliveries:
        sheet.heading("Limit beside value", 30)
        for pair in _pairs(told.deliveries):
            _deliveries(sheet, pair)
        sheet.write_line(
            "max, min: the limit from which to take care, then the one from which it fails.",
            size=_TINY,
            colour=codes.TONE_COLOURS["none"],
        )
    sheet.heading("Everything that was measured", 30)
    if told.has_microphones:
        rows = [(r.name, r.subject, r.interviewer, r.source) for r in microphone_rows(record)]
        sheet.tables.draw(
            ("Each microphone", "Subject", "Interviewer", "Source"), (50, 37, 37, 62), rows
        )
        sheet.ln(1.5)
    programme = programme_rows(record)
    sheet.tables.draw(
        (told.programme_title, *(row[0] for row in programme)),
        (36, *(30 for _ in programme)),
        [("programme", *(row[1] for row in programme))],
    )
    _method(sheet, told)
    _notes(sheet)


def _deliveries(sheet: _Sheet, pair: Sequence[DeliveryRows]) -> None:
    """One table for two deliveries at most, a row for every check that either makes."""
    for delivery in pair:
        sheet.set_font("body", "B", _BODY)
        sheet.ink(codes.INK)
        sheet.cell(None, 4.6, f"{delivery.name.capitalize()} ")
        sheet.ink(codes.TONE_COLOURS[delivery.tone])
        sheet.cell(None, 4.6, delivery.result)
        if delivery.gains:
            sheet.set_font("body", "", _TINY)
            sheet.ink(codes.TONE_COLOURS["none"])
            sheet.cell(None, 4.6, f"   {delivery.judged}: {delivery.gains}")
        sheet.ln(4.6)
    found: dict[tuple[str, str], list[CheckRow | None]] = {}
    for number, delivery in enumerate(pair):
        for check in delivery.checks:
            # By title as well: one delivery may judge the programme and the other the speech.
            found.setdefault((check.title, check.mic), [None] * len(pair))[number] = check
    if not found:
        return
    rows = []
    order = sorted(found.items(), key=lambda item: min(row.rank for row in item[1] if row))
    for (title, mic), checks in order:
        cells: list[Any] = [title, mic]
        for one in checks:
            cells += _judged(one)
        rows.append(tuple(cells))
    head = ["What", "Whose"]
    for delivery in pair:
        head += [delivery.name.capitalize(), "Limit", "Result"]
    side = 108 / len(pair)
    widths = [62, 16, *(side * share for _ in pair for share in (0.36, 0.30, 0.34))]
    sheet.tables.draw(head, widths, rows)
    sheet.ln(1)


def _judged(check: CheckRow | None) -> tuple[Any, ...]:
    if check is None:
        return ("", "", "not asked")
    result = Cell(check.result, codes.TONE_COLOURS[check.tone], True)
    return (check.value, check.short_limit, result)


def _method(sheet: _Sheet, told: Outline) -> None:
    sheet.heading("The recording, and how it was measured", 24)
    facts = [fact for fact in told.facts if fact[0] not in _HEADLINE_FACTS]
    rows = (*facts, *told.method)
    short = [row for row in rows if len(row[1]) <= _FITS_HALF]
    pairs = itertools.zip_longest(short[::2], short[1::2], fillvalue=("", ""))
    halves = [(*left, *right) for left, right in pairs]
    sheet.tables.draw(None, (26, 67, 26, 67), halves)
    sheet.tables.draw(None, (26, 160), [row for row in rows if len(row[1]) > _FITS_HALF])
    sheet.ln(1)
    cautions = " ".join(told.cautions)
    sheet.write_line(cautions, size=_TINY - 0.6, colour=codes.TONE_COLOURS["none"])


def _notes(sheet: _Sheet) -> None:
    """Room to write by hand: a name and two lines."""
    if sheet.will_page_break(13):
        sheet.add_page()
    sheet.ln(1)
    sheet.set_draw_color(codes.SILENCE)
    sheet.set_line_width(0.2)
    for label in ("Listened to by, on", "Notes"):
        sheet.set_font("body", "", _TINY)
        sheet.ink(codes.TONE_COLOURS["none"])
        sheet.cell(0, 6, label, border="B", new_x=XPos.LMARGIN, new_y=YPos.NEXT)


def _pairs(deliveries: list[DeliveryRows]) -> list[list[DeliveryRows]]:
    return [deliveries[at : at + 2] for at in range(0, len(deliveries), 2)]
