"""What a record says in plain words: no unit but minutes and seconds."""

import re
from collections.abc import Collection, Iterable, Sequence

from dualmic.problems import person
from dualmic.record import MIC_ROLES, Check, Delivery, MicRole, TakeRecord

_FIGURE = r"[-−+±]?\d+(?:[.,]\d+)?"
_UNIT = r"(?:dB(?:FS|TP)?(?:\(A\)(?:FS)?)?|LUFS|LKFS|LU|k?Hz|ms|samples?|bits?|%)"
_AMOUNT = re.compile(rf"(?:\b(?:by|to|of|about|at|under|over)\s+)*{_FIGURE}\s?{_UNIT}(?![A-Za-z])")
_BRACKET = re.compile(rf"\s*\([^()]*{_FIGURE}\s?{_UNIT}(?![A-Za-z])[^()]*\)")
_TURN = re.compile(rf"\b(?P<way>up|down)\b(?P<by>\s+by)?(?:\s+about)?\s+(?P<db>{_FIGURE})\s?dB\b")

ON_THE_METER = "until the loudest words reach about three quarters of the camera's level meter"
"""Loudest words at about -12 dBFS (common practice, no source): 80 % of a scale from -60 to 0."""

NUMBER_ON_THE_METER = "the loudest words then reach -12 on the camera's meter"

_ALSO_KINDS = {
    "mic_dead": {"dropout"},
    "hum_after_gain": {"hum"},
    "speech_to_noise": {"noise"},
    "gain": {"low_level"},
    "loud_moments": {"clipping"},
    "clipping": {"click"},
}
"""Kinds of problem, beside the check's own, that would make praise for it sound false."""

_TURNED = {("gain", "up"), ("loud_moments", "down")}
"""Which praise would sound false beside the advice to turn an input up or down."""

NOT_MEASURED = "not measured: "
MOSTLY = 0.5

_FINE: dict[str, str] = {
    "mic_dead": "working",
    "clipping": "no crackles",
    "dropout": "no gaps",
    "hum_after_gain": "no buzz",
    "speech_to_noise": "voice clear of the background",
    "crosstalk": "other voice low",
    "gain": "loud enough",
    "loud_moments": "never too loud",
}
"""By check of one microphone."""
_FILE_FINE: dict[str, str] = {
    "dual_mono": "a microphone on each channel",
    "sample_rate": "sample rate as it should be",
    "bit_depth": "resolution as it should be",
}
"""By check of the file as a whole."""

_REASONS: dict[str, str] = {
    "loudness": "its loudness is off the target",
    "clipping": "the {} crackles",
    "dropout": "words of the {}'s are missing",
    "mic_dead": "the {}'s microphone does not work",
    "speech_to_noise": "too much background behind the {}",
    "gain": "the {} is recorded too quietly",
    "loud_moments": "the {}'s loud moments need taming",
    "hum_after_gain": "a buzz behind the {}",
    "crosstalk": "the other voice is loud in the {}'s microphone",
    "mono_ripple": "the voices turn hollow where both microphones are open",
    "open_mics_noise": "more background where both microphones are open",
    "dual_mono": "both channels are the same microphone",
    "sample_rate": "the file's sample rate is too low",
    "bit_depth": "the file's resolution is low",
}
_COMPRESSED = "the file's sound is compressed"
_UNMEASURED: dict[str, str] = {
    "speech_to_noise": "the background behind the {} (no quiet pause)",
    "gain": "how loud the {} is",
    "loud_moments": "the {}'s loud moments",
    "hum_after_gain": "a buzz behind the {}",
    "crosstalk": "the other voice in the {}'s microphone",
}


def without_units(text: str) -> str:
    """Return ``text`` without amounts that carry a unit.

    >>> without_units("Too much background (14.2 dB; at least 18 dB).")
    'Too much background.'
    """
    bare = _AMOUNT.sub("", _BRACKET.sub("", text))
    return re.sub(r"\s+([.,;:)])", r"\1", " ".join(bare.split()))


def plain_advice(sentence: str) -> str:
    """Return set-up advice in plain words, with what to see on the camera where a gain is turned.

    >>> plain_advice("Turn the subject's input up 3 dB.").split(", ")
    ["Turn the subject's input up a little", 'until the loudest words reach about ...meter.']
    """
    turn = _TURN.search(sentence)
    if turn is None:
        return without_units(sentence)
    amount = _how_much(float(turn["db"].replace(",", ".").replace("−", "-")))
    head, tail = sentence[: turn.start()], sentence[turn.end() :]
    meter = "" if "meter" in tail else f", {ON_THE_METER}"
    return without_units(f"{head}{turn['way']} {amount}{meter}{tail}")


def exact_advice(sentence: str) -> str:
    """Return set-up advice with its numbers, and the number to see on the camera.

    >>> exact_advice("Turn the subject's input up 6 dB.")
    "Turn the subject's input up 6 dB, the loudest words then reach -12 on the camera's meter."
    """
    turn = _TURN.search(sentence)
    if turn is None or "meter" in sentence:
        return sentence
    return f"{sentence[: turn.end()]}, {NUMBER_ON_THE_METER}{sentence[turn.end() :]}"


def _how_much(gain_db: float) -> str:
    """Our choice: up to 4 dB is just heard as a change, 10 dB about halves or doubles loudness."""
    if abs(gain_db) <= 4:
        return "a little"
    return "clearly" if abs(gain_db) <= 10 else "a lot"


def fine_words(record: TakeRecord) -> list[tuple[str, list[str]]]:
    """Return what is fine, by what it is true of: each microphone, or the file.

    Only what was measured, passes in every delivery and has no problem of its kind is fine.
    """
    passes: dict[tuple[str, MicRole | None], bool] = {}
    for delivery in record.deliveries.values():
        for check in delivery.checks:
            key = (check.id, check.mic)
            passes[key] = passes.get(key, True) and check.result == "pass"
    found = {(problem.kind, problem.mic) for problem in record.problems}

    def good(check_id: str, mic: MicRole | None) -> bool:
        kinds = {check_id, *_ALSO_KINDS.get(check_id, ())}
        spoilt = any((kind, owner) in found for kind in kinds for owner in (mic, None))
        spoilt = spoilt or (mic is not None and (check_id, _way(record, mic)) in _TURNED)
        return passes.get((check_id, mic), False) and not spoilt

    dead = _dead(record)
    of_mic = {
        mic: [told for name, told in _FINE.items() if mic not in dead and good(name, mic)]
        for mic in MIC_ROLES
    }
    both = [told for told in _FINE.values() if all(told in own for own in of_mic.values())]
    groups = [("Both microphones", both)]
    shared = record.roles.interviewer is None
    for mic, own in of_mic.items():
        owner = "The microphone" if shared else f"The {mic}'s microphone"
        groups.append((owner, [told for told in own if told not in both]))
    of_file = [told for name, told in _FILE_FINE.items() if good(name, None)]
    if not any(kind in ("truncated", "bad_samples") for kind, _ in found):
        of_file.insert(0, "complete")
    groups.append(("The file", of_file))
    return [(owner, told) for owner, told in groups if told]


def _way(record: TakeRecord, mic: MicRole) -> str:
    """Return which way the set-up advice turns an input, empty if it does not."""
    owner = person(record.roles, MIC_ROLES.index(mic))
    told = [s for s in record.set_up if s.startswith(f"Turn {owner}'s input ")]
    turn = _TURN.search(told[0]) if told else None
    return turn["way"] if turn else ""


def _dead(record: TakeRecord) -> set[MicRole | None]:
    """Return whose microphones hold hardly anything: that they do not crackle is no praise."""
    dead = [problem for problem in record.problems if problem.kind == "mic_dead"]
    enough_s = MOSTLY * record.take.duration_s
    return {
        mic
        for mic in MIC_ROLES
        if sum(problem.end_s - problem.start_s for problem in dead if problem.mic == mic) > enough_s
    }


def reasons(delivery: Delivery, but: Collection[str] = ()) -> list[str]:
    """Return why a delivery has its result, worst first; empty where everything passes.

    Checks called as in ``but`` are left out.
    """
    told: list[str] = []
    for result in ("fail", "not measured", "warn"):
        checks = [c for c in delivery.checks if c.result == result and c.id not in but]
        if result == "not measured":
            told += [unmeasured(checks)] if checks else []
        else:
            told += _phrases(checks, _REASONS)
    return list(dict.fromkeys(told))


def unmeasured(checks: Sequence[Check]) -> str:
    """Return what could not be measured, the first two by name."""
    names = list(dict.fromkeys(_phrases(checks, _UNMEASURED)))
    more = f" and {len(names) - 2} more" if len(names) > 2 else ""
    return f"{NOT_MEASURED}{', '.join(names[:2])}{more}"


def _phrases(checks: Iterable[Check], words: dict[str, str]) -> list[str]:
    return [_phrase(check, words) for check in checks]


def _phrase(check: Check, words: dict[str, str]) -> str:
    if check.id == "bit_depth" and check.value is None and check.result == "warn":
        return _COMPRESSED
    if check.id in words:
        return words[check.id].format(check.mic)
    return without_units(check.title[:1].lower() + check.title[1:])
