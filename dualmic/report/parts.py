"""The blocks of the screen, each drawn from the record alone."""

from collections.abc import Sequence
from dataclasses import dataclass, field

from dualmic.record import LineAtRisk, Problem, TakeRecord
from dualmic.report.cells import clean, cut, shorten, width_of, wrap
from dualmic.report.codes import kind_of
from dualmic.report.figures import figures_table
from dualmic.report.plain import (
    NOT_MEASURED,
    exact_advice,
    fine_words,
    plain_advice,
    reasons,
    without_units,
)
from dualmic.report.verdict import (
    ANSWER_CHECKS,
    ASK_AGAIN_ONLY_IF,
    ONE_MICROPHONE,
    AskAgain,
    ask_again,
    is_one_microphone,
    questions_at_risk,
    rest_words,
    result_words,
    spoilt_by_answers_alone,
    verdict_words,
)
from dualmic.report.words import clock, whose
from dualmic.timecode import at as timecode_at

ITEM_LINES = 3
"""No single item takes more, or twice as many on a narrow screen; the report holds it all."""
WIDE = 60
PLACES_SHOWN, REASONS_SHOWN = 4, 3
LONG_S = 10.0
"""A problem of this length or more is given with its end."""
SHORT_S = 10.0
"""A take shorter than that is given to a tenth of a second."""
MOST_OF_IT = 0.8


@dataclass
class Part:
    """One block: a heading and items, of which the last are left out where room is short.

    ``short_items`` say the same in one line each. ``keep`` is how many items stay in the first,
    second and last round of shortening; ``noun`` names what is left out.
    """

    heading: str
    items: list[list[str]]
    keep: tuple[int, int, int] = (2, 1, 1)
    noun: str = "more"
    short_items: list[list[str]] = field(default_factory=list)
    shown: int = 0

    def __post_init__(self) -> None:
        """Show everything until it turns out not to fit."""
        self.shown = len(self.items)

    def lines(self, width: int) -> list[tuple[str, str]]:
        """Return the block's lines, each with its style; an empty one first."""
        hidden = len(self.items) - self.shown
        texts = [line for item in self.items[: self.shown] for line in item]
        if hidden:
            texts.append(cut(f"  and {hidden} {self.noun}: --report DIR lists all", width))
        headings = [(line, "bold") for line in wrap(self.heading, width)]
        return [("", ""), *headings, *((text, "") for text in texts)]


def _item(text: str, width: int, indent: str = "  ", rest: str | None = None) -> list[str]:
    """Return one item's lines: ``text`` wrapped, cut off after a few lines."""
    lines = wrap(clean(text), width, indent, rest)
    most = ITEM_LINES if width >= WIDE else 2 * ITEM_LINES
    if len(lines) > most:
        lines = lines[:most]
        while width_of(lines[-1]) > width - 4:
            lines[-1] = lines[-1][:-1]
        lines[-1] += " …"
    return lines


def head(record: TakeRecord, width: int) -> list[tuple[str, str]]:
    """Return what the take is, its verdict, and a doubt about who is where."""
    length_s = record.take.duration_s
    about = f"{clock(length_s, exact=length_s < SHORT_S)} long"
    if record.take.timecode:
        about += f", from {record.take.timecode.start}"
    name = shorten(clean(record.take.name), width - width_of(about) - 2)
    told = verdict_words(record)
    lines = [(f"{name}  {about}", "")]
    lines += [(line, told.tone) for line in _item(told.headline.upper(), width, "")]
    lines += [(line, "") for line in _item(_verdict_detail(record), width, "")]
    if record.roles.doubt:
        doubt = without_units(record.roles.doubt)
        lines += [(line, "") for line in _item(doubt, width, "")]
    return lines


def _verdict_detail(record: TakeRecord) -> str:
    if record.mode == "mix":
        return "A finished mix, judged as it is."
    if record.verdict is None:
        return verdict_words(record).detail
    alone = "Only one person speaks. " if record.kind_of_take == "one person" else ""
    if record.verdict == "usable" and is_one_microphone(record):
        return ONE_MICROPHONE
    if record.verdict == "usable":
        return f"{alone}Every answer can be used."
    if record.verdict == "usable but for these answers":
        return alone + rest_words(record)
    fails = [problem for problem in record.problems if problem.severity == "fail"]
    worst = max(fails, key=lambda p: (p.mic != "interviewer", p.end_s - p.start_s), default=None)
    if worst is None:
        return f"{alone}The answers cannot be used as they are."
    same = [p for p in fails if (p.kind, p.mic) == (worst.kind, worst.mic)]
    places = _some([_place(problem, record) for problem in same])
    return f"{alone}{_capital(whose(worst.mic))}: {_title(worst)}, {places}."


def before_leaving(record: TakeRecord, width: int) -> Part:
    """Return the answers to ask again, each with where it is and what spoilt it."""
    heading = "Before the subject leaves"
    if record.mode == "mix" or record.verdict is None:
        return Part(heading, [])
    asks = ask_again(record)
    long: list[list[str]] = []
    short: list[list[str]] = []
    column = max((width_of(_range(ask)) for ask in asks), default=0) + 2
    for ask in asks:
        when = "  " + _range(ask).ljust(column)
        what = _because(record, ask)
        if ask.covered:
            what = f"no need: {_copy(record, ask)} ({what})"
        more = _about(record, ask)
        about = _item(more, width, " " * len(when)) if more else []
        long.append(_item(what, width, when, " " * len(when)) + about)
        label = timecode_at(record.take.timecode, ask.line.start_s)
        short.append([cut(when + (f"{label}  " if label else "") + clean(what), width)])
    if record.verdict == "not usable":
        named = record.set_up or any(p.severity != "note" for p in record.problems)
        first = "First mend what the next lines name. " if named else ""
        text = f"{first}{ASK_AGAIN_ONLY_IF}, ask again{' then' if first else ''}."
        long.insert(0, _item(text, width))
        short.insert(0, _item(text, width))
    elif any(not ask.covered for ask in asks):
        heading += f": {ASK_AGAIN_ONLY_IF[0].lower()}{ASK_AGAIN_ONLY_IF[1:]}, ask again"
    elif not asks:
        long.append(_item("Nothing has to be asked again.", width))
    questions = [clock(ask.line.start_s) for ask in questions_at_risk(record)]
    if questions:
        asked, them = ("question", "it") if len(questions) == 1 else ("questions", "them")
        damaged = f"Your own {asked} at {_some(questions)}: damaged; say {them} again at any time."
        long.append(_item(damaged, width))
        short.append([cut("  " + damaged, width)])
    return Part(heading, long, (6, 3, 1), "more", short if asks else [])


def before_next_take(record: TakeRecord, width: int, numbers: bool) -> Part:
    """Return what to change on the set-up, and what was heard that asks for it."""
    items = [
        _item(exact_advice(text) if numbers else plain_advice(text), width, "  - ", "    ")
        for text in record.set_up
    ]
    groups: dict[tuple[str, str | None], list[Problem]] = {}
    for problem in record.problems:
        if problem.severity != "note" and not _is_in_an_answer(problem, record):
            groups.setdefault((problem.kind, problem.mic), []).append(problem)
    worst_first = sorted(
        groups.values(), key=lambda found: all(p.severity == "warn" for p in found)
    )
    for found in worst_first:
        title, owner = _title(found[0]), whose(found[0].mic)
        places = _some([_place(problem, record) for problem in found])
        items.append(_item(f"Heard on {owner}: {title} ({places})", width, "  ", "    "))
    heading = "In the mix" if record.mode == "mix" else "Before the next take"
    if not items and record.verdict:
        items = [_item("Nothing has to be changed.", width)]
    return Part(heading, items, (4, 2, 1), "more")


def fine(record: TakeRecord, width: int) -> Part:
    """Return what was measured and is in order."""
    items = [_item(f"{owner}: {', '.join(told)}", width) for owner, told in fine_words(record)]
    return Part("What is fine", items, (4, 1, 1))


def while_reading(record: TakeRecord, width: int) -> Part:
    """Return what was met while the files were read."""
    items = [_item(note, width, "  ", "    ") for note in record.take.notes]
    return Part("While reading", items, (3, 1, 1))


def figures(record: TakeRecord, width: int) -> Part:
    """Return the measured values and their limits; the table's head always stays."""
    rows = [[line] for line in figures_table(record, width)]
    return Part("The numbers", rows, (12, 8, 3), "more rows")


def deliveries(record: TakeRecord, width: int) -> Part:
    """Return each delivery's result and why, a line or two each."""
    if record.kind_of_take in ("nobody speaks", "too short"):
        return Part("Deliveries", [])
    names = [clean(name) for name in record.deliveries]
    column = max(map(width_of, names), default=0)
    items = []
    for name, delivery in zip(names, record.deliveries.values(), strict=True):
        told = result_words(delivery, record)
        why = reasons(delivery)
        if record.mode == "take" and spoilt_by_answers_alone(delivery):
            why = reasons(delivery, ANSWER_CHECKS)
            told += "; take care" if why else "; the rest passes"
        if delivery.result == "incomplete" and why:
            why[0] = why[0].removeprefix(NOT_MEASURED)
        if why:
            told += ": " + "; ".join(why[:REASONS_SHOWN])
        if len(why) > REASONS_SHOWN:
            told += f"; and {len(why) - REASONS_SHOWN} more"
        indent = "  " + name + " " * (column - width_of(name) + 2)
        items.append(_item(told, width, indent, " " * (column + 4)))
    return Part("Deliveries", items, (3, 2, 1), "more")


def _range(ask: AskAgain) -> str:
    return f"{clock(ask.line.start_s)} to {clock(ask.line.end_s)}"


def _because(record: TakeRecord, ask: AskAgain) -> str:
    """Return what spoilt an answer, with the moment where it is only a moment of it."""
    told = []
    for kind in ask.line.because:
        inside = [p for p in record.problems if p.kind == kind and _touches(p, ask.line)]
        text = kind_of(kind).title
        span = sum(p.end_s - p.start_s for p in inside)
        if inside and span < 0.3 * (ask.line.end_s - ask.line.start_s):
            text += f" at {_some([clock(p.start_s) for p in inside])}"
        told.append(text)
    return "; ".join(told)


def _about(record: TakeRecord, ask: AskAgain) -> str:
    label = timecode_at(record.take.timecode, ask.line.start_s)
    told = [f"timecode {label}" if label else "", ask.after_question or ""]
    if not ask.covered:
        told.append(_copy(record, ask))
    return ", ".join(text for text in told if text)


def _copy(record: TakeRecord, ask: AskAgain) -> str:
    """Return what else holds an answer; the interviewer's microphone hears it from further away."""
    copy = ask.line.covered_by
    if copy is None:
        return ""
    here = copy.take == record.take.name
    if here and any(c.channel == copy.channel and c.role == "interviewer" for c in record.channels):
        if copy.usable:
            return "your own microphone holds a usable copy, from further away"
        return "only from afar on your own microphone"
    return ask.copy or ""


def _touches(problem: Problem, line: LineAtRisk) -> bool:
    same_person = problem.mic in (line.speaker, None)
    return same_person and problem.start_s < line.end_s and problem.end_s > line.start_s


def _is_in_an_answer(problem: Problem, record: TakeRecord) -> bool:
    """Whether an answer to ask again already names this problem."""
    return any(
        problem.kind in line.because
        and line.speaker == "subject"
        and _touches(problem, line)
        and problem.end_s <= line.end_s + 1
        for line in record.at_risk
    )


def _title(problem: Problem) -> str:
    """Return a problem's name as it follows the name of its microphone."""
    return kind_of(problem.kind).title.removeprefix("microphone ")


def _place(problem: Problem, record: TakeRecord) -> str:
    if problem.end_s - problem.start_s >= MOST_OF_IT * record.take.duration_s:
        return "from beginning to end"
    if problem.end_s - problem.start_s >= LONG_S:
        return f"{clock(problem.start_s)} to {clock(problem.end_s)}"
    return clock(problem.start_s)


def _some(places: Sequence[str]) -> str:
    """Return the first few places and how many more there are."""
    unique = list(dict.fromkeys(places))
    told = ", ".join(unique[:PLACES_SHOWN])
    rest = len(unique) - PLACES_SHOWN
    return f"{told} and {rest} more" if rest > 0 else told


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
