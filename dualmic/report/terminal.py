"""The screen: what one take's record says, in the order in which a person on location acts.

What to do before the subject leaves, what to change before the next take, what is fine, and the
deliveries. Plain words and no unit but minutes and seconds, unless the numbers are asked for.
Never more than ``HEIGHT`` lines; what does not fit is counted, the most urgent stays.
"""

import os
import shutil
import sys
from typing import TextIO

from dualmic.record import TakeRecord
from dualmic.report.cells import plain_for
from dualmic.report.parts import (
    Part,
    before_leaving,
    before_next_take,
    deliveries,
    figures,
    fine,
    head,
    while_reading,
)

HEIGHT = 38
"""A window of 40 lines also holds the command that was typed and the next prompt."""
NARROWEST, WIDEST = 40, 100

_RESET = "\x1b[0m"
_STYLES = {
    "": "",
    "bold": "\x1b[1m",
    "good": "\x1b[1;32m",
    "mixed": "\x1b[1;33m",
    "bad": "\x1b[1;31m",
    "none": "\x1b[1m",
}


def screen(
    record: TakeRecord, *, numbers: bool = False, width: int = 80, colour: bool = False
) -> str:
    """Return ``record`` as one screen of text, at most ``HEIGHT`` lines of ``width`` cells.

    Args:
        record: a take or a mix.
        numbers: show the measured values and the limits, with their units.
        width: columns of the terminal; fewer than 40 count as 40.
        colour: mark headings and verdict with ANSI codes; the words are the same without.

    """
    width = max(width, NARROWEST)
    top = head(record, width)
    parts = [
        before_leaving(record, width),
        before_next_take(record, width, numbers),
        while_reading(record, width),
        figures(record, width) if numbers else fine(record, width),
        deliveries(record, width),
    ]
    parts = [part for part in parts if part.items]
    _fit(parts, HEIGHT - len(top), width)
    lines = top + [line for part in parts for line in part.lines(width)]
    if colour:
        return "".join(f"{_STYLES[s]}{text}{_RESET if s else ''}\n" for text, s in lines)
    return "".join(f"{text}\n" for text, _ in lines)


def print_screen(
    record: TakeRecord, *, numbers: bool = False, stream: TextIO | None = None
) -> None:
    """Print the screen: in colour on a terminal that has it, in signs that the stream can show."""
    stream = stream or sys.stdout
    columns = min(shutil.get_terminal_size((80, 24)).columns, WIDEST)
    text = screen(record, numbers=numbers, width=columns, colour=wants_colour(stream))
    stream.write(plain_for(text, stream.encoding))


def wants_colour(stream: TextIO) -> bool:
    """Return whether ``stream`` is a terminal with colours whose user has not declined them."""
    declined = os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb"
    return stream.isatty() and not declined


def _fit(parts: list[Part], room: int, width: int) -> None:
    """Shorten ``parts`` until they fill at most ``room`` lines.

    Longer wordings go first; then items from the last part upwards, for what stands first cannot
    be made good later.
    """

    def too_long() -> bool:
        return sum(len(part.lines(width)) for part in parts) > room

    for part in parts:
        if too_long() and part.short_items:
            part.items, part.shown = part.short_items, len(part.short_items)
    for turn in range(3):
        for part in reversed(parts):
            while too_long() and part.shown > part.keep[turn]:
                part.shown -= 1
