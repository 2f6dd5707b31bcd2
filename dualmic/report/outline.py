"""A record as a report tells it: the same words and the same order for the page and the sheet.

First the verdict, then what to ask again, what to change on the set-up, the problems, the
deliveries with every limit beside its value, all measurements, and how it was measured.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from dualmic.delivery_words import in_words
from dualmic.record import Channel, Check, Delivery, Problem, TakeRecord
from dualmic.report.codes import RESULT_TONES, RESULT_WORDS, SEVERITY_WORDS, Kind, kind_of
from dualmic.report.measurements import is_shared
from dualmic.report.verdict import (
    AskAgain,
    VerdictWords,
    ask_again,
    questions_at_risk,
    result_words,
)
from dualmic.report.verdict import verdict_words as words_of_verdict
from dualmic.report.words import clock, duration, limit, number, plural, quantity, short_limit

_RESULT_ORDER = ("fail", "warn", "not measured", "pass")

AS_WRITTEN = "As written by the camera, not checked"

CAUTIONS = (
    "A flagged moment can be very loud: turn the volume down before you listen.",
    "No answer is worth a risk: ask again only if it is safe and they are willing.",
    "This is a measurement against published or common limits, not an acceptance: the client's "
    "own document rules, and so do national rules on loudness, hearing and recording people.",
)


@dataclass(frozen=True)
class ProblemRow:
    """One problem, ready to print."""

    problem: Problem
    kind: Kind
    when: str
    timecode: str
    mic: str
    severity: str
    measured: str
    heard: str
    advice: str


@dataclass(frozen=True)
class CheckRow:
    """One check of a delivery, ready to print; ``help`` says what would make it pass.

    ``rank`` orders the worst first; values that no limit judges come last.
    """

    id: str
    title: str
    mic: str
    value: str
    limit: str
    short_limit: str
    result: str
    tone: str
    help: str
    source: str
    rank: int


@dataclass(frozen=True)
class DeliveryRows:
    """One delivery: its name and result in words, its gains and how it was judged, its checks."""

    name: str
    result: str
    tone: str
    gains: str
    judged: str
    checks: list[CheckRow]


SET_UP_TITLES = {"take": "Change before the next take", "mix": "What would make it pass"}


@dataclass(frozen=True)
class Outline:
    """Everything a report says, in the order it says it."""

    name: str
    verdict: VerdictWords
    doubt: str | None
    ask_again: list[AskAgain]
    questions: list[AskAgain]
    set_up_title: str
    set_up: list[str]
    has_microphones: bool
    programme_title: str
    problems: list[ProblemRow]
    problem_summary: str
    deliveries: list[DeliveryRows]
    facts: list[tuple[str, str]]
    method: list[tuple[str, str]]
    cautions: Sequence[str] = CAUTIONS


def outline(record: TakeRecord) -> Outline:
    """Return what a report says of ``record``."""
    problems = [_problem(record, problem) for problem in record.problems]
    return Outline(
        name=record.take.name,
        verdict=words_of_verdict(record),
        doubt=record.roles.doubt,
        ask_again=ask_again(record),
        questions=questions_at_risk(record),
        set_up_title=SET_UP_TITLES[record.mode],
        set_up=record.set_up,
        has_microphones=bool(record.mics),
        programme_title="The one microphone" if is_shared(record) else "Both channels as one",
        problems=problems,
        problem_summary=_summary(record),
        deliveries=[_delivery(name, d, record) for name, d in record.deliveries.items()],
        facts=_facts(record),
        method=_method(record),
    )


def _problem(record: TakeRecord, problem: Problem) -> ProblemRow:
    length_s = problem.end_s - problem.start_s
    whole = length_s >= 0.95 * record.take.duration_s
    when = "the whole take" if whole else clock(problem.start_s, exact=True)
    if not whole and length_s >= 0.05:
        when += f" for {duration(length_s)}"
    measured = quantity(problem.value, problem.unit) if problem.value is not None else ""
    if measured and problem.limit is not None:
        measured += (
            f" (limit {number(problem.limit, 0 if problem.limit == int(problem.limit) else 1)})"
        )
    return ProblemRow(
        problem=problem,
        kind=kind_of(problem.kind),
        when=when,
        timecode=problem.start_timecode or "",
        mic=problem.mic or "both",
        severity=SEVERITY_WORDS[problem.severity],
        measured=measured,
        heard=problem.heard,
        advice=problem.advice,
    )


def _summary(record: TakeRecord) -> str:
    if not record.problems:
        return "No damage was found." if record.mode == "mix" else "No problem was found."
    counts = {
        severity: sum(p.severity == severity for p in record.problems)
        for severity in SEVERITY_WORDS
    }
    parts = [
        f"{counts['fail']} that {'spoils' if counts['fail'] == 1 else 'spoil'} sound",
        f"{counts['warn']} to take care of",
        f"{counts['note']} good to know",
    ]
    found = [part for part, count in zip(parts, counts.values(), strict=True) if count]
    if len(found) == 1:
        count, what = found[0].split(" ", 1)
        return f"{plural(int(count), 'problem')} {what}."
    return f"{len(record.problems)} problems: {', '.join(found)}."


def _delivery(name: str, delivery: Delivery, record: TakeRecord) -> DeliveryRows:
    gains = ", ".join(
        f"{role} {'+' if gain > 0 else ''}{quantity(gain, 'dB')}"
        for role, gain in delivery.gain_db.items()
        if gain is not None
    )
    return DeliveryRows(
        name=name,
        result=result_words(delivery, record),
        tone=RESULT_TONES[delivery.result],
        gains=gains,
        judged="judged as it is; to target" if record.mode == "mix" else "judged with this gain",
        checks=sorted((_check(check) for check in delivery.checks), key=lambda row: row.rank),
    )


def _check(check: Check) -> CheckRow:
    judged = not (check.result == "pass" and check.warn_limit is None and check.fail_limit is None)
    found = check.result != "not measured"  # and it is none: no hum, or no bits in lossy sound
    return CheckRow(
        id=check.id,
        title=check.title,
        mic=check.mic or "both",
        value="none" if check.value is None and found else quantity(check.value, check.unit),
        limit=limit(check),
        short_limit=short_limit(check),
        result=RESULT_WORDS[check.result] if judged else "stated",
        tone=RESULT_TONES[check.result] if judged else "none",
        help=in_words(check),
        source=check.source,
        rank=_RESULT_ORDER.index(check.result) + (not judged),
    )


def _facts(record: TakeRecord) -> list[tuple[str, str]]:
    take, roles = record.take, record.roles
    said = str(take.bit_depth) in take.codec  # some codecs' names tell the depth already
    depth = f", {take.bit_depth} bit" if take.bit_depth and not said else ""
    facts = [
        ("Length", duration(take.duration_s)),
        ("Sound", f"{take.codec}{depth}, {take.sample_rate_hz / 1000:g} kHz, {take.container}"),
    ]
    if take.timecode:
        drop = ", drop-frame" if take.timecode.drop_frame else ""
        given = "" if take.timecode.rate_is_given else " (the file states no rate)"
        rate = f"{take.timecode.rate} frames/s{drop}{given}"
        facts.append(("Start timecode", f"{take.timecode.start} at {rate}"))
    if take.recorded_at:
        facts.append(("Recorded", take.recorded_at.replace("T", " ")))
    for role in ("subject", "interviewer") if record.mics else ():
        channel = roles.subject if role == "subject" else roles.interviewer
        name = roles.subject_name if role == "subject" else roles.interviewer_name
        where = f"channel {channel}" if channel else "no channel"
        facts.append((role.capitalize(), f"{name}, {where}" if name else where))
    if record.mics:
        facts.append(("Who is who", f"decided by {roles.decided_by}"))
    facts += [("Safe copy", _safe_copy(channel)) for channel in _safe_copies(record)]
    facts += [("File", file.path) for file in take.files]
    facts += [("While reading", note) for note in take.notes]
    if take.texts:
        told = "; ".join(f"{name}: {text}" for name, text in take.texts.items())
        facts.append((AS_WRITTEN, told))
    return facts


def _safe_copies(record: TakeRecord) -> list[Channel]:
    return [c for c in record.channels if c.role == "safety" and c.gain_offset_db is not None]


def _safe_copy(channel: Channel) -> str:
    assert channel.gain_offset_db is not None
    offset = channel.gain_offset_db
    apart = f"{quantity(abs(offset), 'dB')} {'lower' if offset < 0 else 'higher'}"
    return f"channel {channel.channel} holds channel {channel.safety_of} again, {apart}"


def _method(record: TakeRecord) -> list[tuple[str, str]]:
    method, proof = record.method, record.method.proof
    cases = f" ({proof.cases} reference signals)" if proof.cases else ""
    on = f" on {proof.date}" if proof.date else ""
    proved = {
        "passed": f"This version measured the reference signals right{on}{cases}.",
        "failed": f"This version did NOT measure the reference signals right{on}{cases}.",
        "not run": "The reference signals were not measured here: run “dualmic prove”.",
    }[proof.result]
    rows = [
        ("Proof", proved),
        ("Measured with", f"dualmic {method.version}"),
        ("Libraries", ", ".join(f"{name} {v}" for name, v in sorted(method.libraries.items()))),
        ("Settings", f"SHA-256 {method.settings_sha256}"),
    ]
    for number_, file in enumerate(record.take.files, 1):
        which = f" of file {number_}" if len(record.take.files) > 1 else ""
        rows.append(
            (
                f"Sound checksum{which}",
                f"MD5 {file.audio_md5}" if file.audio_md5 else "none: the sound is compressed",
            )
        )
    return rows
