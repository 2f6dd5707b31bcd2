"""The verdict of a take or a mix in plain words, and what to ask again."""

from dataclasses import dataclass
from typing import Literal

from dualmic.record import Delivery, LineAtRisk, TakeRecord, Turn
from dualmic.report.codes import RESULT_WORDS, kind_of
from dualmic.report.words import clock, duration, plural

Tone = Literal["good", "mixed", "bad", "none"]

#: Said wherever something is to be asked again: no answer is worth a risk to anybody.
ASK_AGAIN_ONLY_IF = "If it is safe and they are willing"
#: Of a take whose other microphone was never recorded: nobody can tell which of the two it is.
ONE_MICROPHONE = "Both channels are one microphone: listen whether the answers are near enough."
#: Of a recording in which every sample is zero.
SILENT = "Both channels are silent. Should anybody be heard: check plugs, mutes and the input."
#: Problems of a whole take, which no answer is free of.
THROUGHOUT = {"noise", "low_level"}
#: Checks that judge single answers: where only they fail, the rest of the take can go out.
ANSWER_CHECKS = {"clipping", "dropout"}


@dataclass(frozen=True)
class VerdictWords:
    """One sentence that answers "can it be used?", one that says more, and how good that is."""

    headline: str
    detail: str
    tone: Tone


@dataclass(frozen=True)
class AskAgain:
    """One damaged turn: where it is, what spoilt it, and what else holds the same words."""

    line: LineAtRisk
    where: str
    after_question: str | None
    because: str
    copy: str | None

    @property
    def covered(self) -> bool:
        """Whether another recording of these words can be used."""
        return bool(self.line.covered_by and self.line.covered_by.usable)


def verdict_words(record: TakeRecord) -> VerdictWords:
    """Return the verdict of ``record`` in words."""
    if record.mode == "mix":
        return _mix_words(record)
    if record.verdict is None:
        return _unjudged_words(record)
    lost = sum(not ask.covered for ask in ask_again(record))
    saved = sum(ask.covered for ask in ask_again(record))
    copies = f" {plural(saved, 'damaged answer')} can be taken from a copy." if saved else ""
    if record.verdict == "usable" and is_one_microphone(record):
        return VerdictWords("Usable, perhaps", ONE_MICROPHONE + copies, "mixed")
    if record.verdict == "usable":
        care = sum(p.severity == "warn" for p in record.problems)
        more = f" {plural(care, 'thing')} to take care of, below." if care else ""
        detail = f"Every answer can be used.{copies}{more}"
        but = _not_as_it_is(record)
        if but:
            return VerdictWords(f"Usable, but {but}", detail, "mixed")
        return VerdictWords("Usable", detail, "good")
    if record.verdict == "usable but for these answers":
        which = "one answer" if lost == 1 else plural(lost, "answer") if lost else "some answers"
        headline = "Usable only in parts" if is_all_damaged(record) else f"Usable, but for {which}"
        return VerdictWords(headline, rest_words(record) + copies, "mixed")
    return VerdictWords("Not usable", _why_not(record) + copies, "bad")


def is_one_microphone(record: TakeRecord) -> bool:
    """Whether both channels are one microphone for most of the take."""
    same_s = sum(p.end_s - p.start_s for p in record.problems if p.kind == "dual_mono")
    return same_s > record.take.duration_s / 2


def is_all_damaged(record: TakeRecord) -> bool:
    """Whether there is no answer but those to ask again."""
    lost = sum(not ask.covered for ask in ask_again(record))
    return lost == sum(turn.speaker == "subject" for turn in record.turns)


def rest_words(record: TakeRecord) -> str:
    """Say of a take with answers to ask again what the others are."""
    if is_all_damaged(record):
        return "Every answer is damaged somewhere."
    return "The rest can be used."


def is_silent(record: TakeRecord) -> bool:
    """Whether no channel holds anything at all."""
    return all(mic.sample_peak_dbfs is None for mic in record.mics.values())


def _not_as_it_is(record: TakeRecord) -> str:
    """Name the deliveries that fail for more than single answers, or else what fails throughout."""
    failing = [
        name
        for name, delivery in record.deliveries.items()
        if delivery.result == "fail" and not spoilt_by_answers_alone(delivery)
    ]
    if failing:
        return f"not as it is for {' and '.join(failing)}"
    whole = [p for p in record.problems if p.severity == "fail" and p.kind in THROUGHOUT]
    return kind_of(whole[0].kind).title if whole else ""


def ask_again(record: TakeRecord) -> list[AskAgain]:
    """Return the subject's damaged turns: those without a usable copy first, each in time order."""
    found = [_ask(record, line) for line in record.at_risk if line.speaker == "subject"]
    return sorted(found, key=lambda ask: (ask.covered, ask.line.start_s))


def questions_at_risk(record: TakeRecord) -> list[AskAgain]:
    """Return the interviewer's damaged turns, which can be spoken again later and alone."""
    return [_ask(record, line) for line in record.at_risk if line.speaker == "interviewer"]


def _ask(record: TakeRecord, line: LineAtRisk) -> AskAgain:
    length = duration(line.end_s - line.start_s)
    copy = None
    if line.covered_by:
        other = line.covered_by
        place = f"channel {other.channel}"
        if other.take != record.take.name:
            place += f" of {other.take}"
        copy = f"{'a usable copy' if other.usable else 'a poor copy'} is on {place}"
    question = _question_before(record.turns, line) if line.speaker == "subject" else None
    return AskAgain(
        line=line,
        where=f"{clock(line.start_s)} to {clock(line.end_s)} ({length})",
        after_question=f"after your question at {clock(question.start_s)}" if question else None,
        because=", ".join(kind_of(name).title for name in line.because),
        copy=copy,
    )


def _question_before(turns: list[Turn], line: LineAtRisk) -> Turn | None:
    before = [t for t in turns if t.speaker != line.speaker and t.start_s < line.start_s]
    return max(before, key=lambda turn: turn.start_s, default=None)


def _unjudged_words(record: TakeRecord) -> VerdictWords:
    broken = any(problem.kind == "bad_samples" for problem in record.problems)
    if record.kind_of_take == "nobody speaks" and broken:
        return VerdictWords("Nobody can be heard", "The sound in this file is broken.", "bad")
    if record.kind_of_take == "nobody speaks" and is_silent(record):
        return VerdictWords("Nothing was recorded", SILENT, "mixed")
    if record.kind_of_take == "nobody speaks":
        detail = "Room tone, or pictures without sound: measured; there is nothing to judge."
        return VerdictWords("Nobody speaks in this recording", detail, "none")
    if record.kind_of_take == "too short":
        detail = "Less than 15 seconds of speech: measured; little can be judged."
        return VerdictWords("Too short to judge", detail, "none")
    return VerdictWords("Measured, not judged", "No verdict was asked for.", "none")


def _mix_words(record: TakeRecord) -> VerdictWords:
    results = {name: delivery.result for name, delivery in record.deliveries.items()}
    detail = ". ".join(f"{name}: {RESULT_WORDS[result]}" for name, result in results.items())
    worst: tuple[Tone, str] = ("none", "Measured, not judged")
    if results:
        worst = ("good", "The mix meets what was asked")
        if "warn" in results.values():
            worst = ("mixed", "The mix meets what was asked, with care")
        if "incomplete" in results.values():
            worst = ("none", "Not everything could be measured")
        if "fail" in results.values():
            failing = [name for name, result in results.items() if result == "fail"]
            worst = ("bad", f"The mix does not meet {' and '.join(failing)}")
    return VerdictWords(worst[1], f"{detail}." if detail else "", worst[0])


def _why_not(record: TakeRecord) -> str:
    """Name the worst problem on the answers' side, longest first."""
    fails = [p for p in record.problems if p.severity == "fail" and p.mic != "interviewer"]
    worst = max(fails, key=lambda p: p.end_s - p.start_s, default=None)
    if worst is None:
        return "The answers cannot be used as they are."
    return worst.heard if worst.heard.endswith(".") else f"{worst.heard}."


def result_words(delivery: Delivery, record: TakeRecord) -> str:
    """Return a delivery's result in words, and of a take, if answers alone are not as it says."""
    if record.mode == "take" and spoilt_by_answers_alone(delivery):
        return "fails only for the damaged answers"
    if delivery.result == "pass" and any(not ask.covered for ask in ask_again(record)):
        return "passes but for the damaged answers"
    return RESULT_WORDS[delivery.result]


def spoilt_by_answers_alone(delivery: Delivery) -> bool:
    """Whether no check fails but those that judge single answers."""
    failing = {check.id for check in delivery.checks if check.result == "fail"}
    return bool(failing) and failing <= ANSWER_CHECKS
