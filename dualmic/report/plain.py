"""What a record says in plain words: no unit but minutes and seconds."""

import re
from collections.abc import Iterable

from dualmic.record import Check, Delivery, MicRole, TakeRecord

_FIGURE = r"[-−+±]?\d+(?:[.,]\d+)?"
_UNIT = r"(?:dB(?:FS|TP)?(?:\(A\)(?:FS)?)?|LUFS|LKFS|LU|k?Hz|ms|samples?|bits?|%)"
_AMOUNT = re.compile(rf"(?:\b(?:by|to|of|about|at|under|over)\s+)*{_FIGURE}\s?{_UNIT}(?![A-Za-z])")
_BRACKET = re.compile(rf"\s*\([^()]*{_FIGURE}\s?{_UNIT}(?![A-Za-z])[^()]*\)")
_TURN = re.compile(rf"\b(?P<way>up|down)\b(?P<by>\s+by)?(?:\s+about)?\s+(?P<db>{_FIGURE})\s?dB\b")

ON_THE_METER = "until the loudest words reach about three quarters of the camera's level meter"
"""Three quarters of a scale from -60 to 0 dB is -15; common practice, no source: peaks at -12."""

_ALSO_KINDS = {"hum_after_gain": {"hum"}, "speech_to_noise": {"noise"}, "gain": {"low_level"}}

_FINE: dict[str, tuple[str, str]] = {
    "mic_dead": ("both microphones work", "the {}'s microphone works"),
    "clipping": ("nothing crackles", "nothing crackles on the {}'s microphone"),
    "dropout": ("no sound is missing", "no sound is missing on the {}'s microphone"),
    "speech_to_noise": (
        "both voices stand clear of the background",
        "the {}'s voice stands clear of the background",
    ),
    "hum_after_gain": ("no electric buzz", "no electric buzz on the {}'s microphone"),
    "crosstalk": (
        "each voice is mostly on its own microphone",
        "the other voice stays low in the {}'s microphone",
    ),
    "gain": ("both are loud enough", "the {} is loud enough"),
    "loud_moments": ("no word is too loud to tame", "no word of the {}'s is too loud to tame"),
    "dual_mono": ("each channel has a microphone of its own", ""),
    "sample_rate": ("the file's sample rate will do", ""),
    "bit_depth": ("the file's resolution will do", ""),
}
"""By check: in words where it passes on both microphones, and on one alone."""

_REASONS: dict[str, str] = {
    "clipping": "the {} crackles",
    "dropout": "words of the {}'s are missing",
    "mic_dead": "the {}'s microphone does not work",
    "speech_to_noise": "too much background behind the {}",
    "gain": "the {} is recorded too quietly",
    "loud_moments": "the {}'s loud moments need taming",
    "hum_after_gain": "an electric buzz behind the {}",
    "crosstalk": "the other voice is loud in the {}'s microphone",
    "mono_ripple": "the voices turn hollow where both microphones are open",
    "open_mics_noise": "more background where both microphones are open",
    "dual_mono": "both channels are the same microphone",
    "sample_rate": "the file's sample rate is too low",
    "bit_depth": "the file's resolution is low",
}
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
    told = f"{sentence[: turn.start()]}{turn['way']} {amount}{sentence[turn.end() :]}"
    told = without_units(told)
    if "meter" in told:
        return told
    head, stop, tail = told.partition(".")
    return f"{head}, {ON_THE_METER}{stop or '.'}{tail}"


def _how_much(gain_db: float) -> str:
    """Our choice: up to 4 dB is just heard as a change, 10 dB about halves or doubles loudness."""
    if abs(gain_db) <= 4:
        return "a little"
    return "clearly" if abs(gain_db) <= 10 else "a lot"


def fine_words(record: TakeRecord) -> list[str]:
    """Return what is fine, as phrases: only what was measured and passes in every delivery."""
    results: dict[str, dict[MicRole | None, bool]] = {}
    for delivery in record.deliveries.values():
        for check in delivery.checks:
            mics = results.setdefault(check.id, {})
            mics[check.mic] = mics.get(check.mic, True) and check.result == "pass"
    found = {(problem.kind, problem.mic) for problem in record.problems}
    phrases = []
    for check_id, (both, one) in _FINE.items():
        kinds = _ALSO_KINDS.get(check_id, {check_id})
        good = [
            mic
            for mic, passes in results.get(check_id, {}).items()
            if passes and not any((kind, m) in found for kind in kinds for m in {mic, None})
        ]
        if good and len(good) == len(results[check_id]) and (len(good) > 1 or None in good):
            phrases.append(both)
        elif one:
            phrases += [one.format(mic) for mic in good if mic]
    if not any(kind == "truncated" for kind, _ in found):
        phrases.append("the file is complete")
    return phrases


def reasons(delivery: Delivery, but: str = "") -> list[str]:
    """Return why a delivery has its result, worst first; empty where everything passes.

    Checks whose result is ``but`` are left out.
    """
    told: list[str] = []
    for result in ("fail", "not measured", "warn"):
        if result == but:
            continue
        checks = [check for check in delivery.checks if check.result == result]
        if result == "not measured":
            told += [f"not measured: {text}" for text in _phrases(checks, _UNMEASURED)]
        else:
            told += _phrases(checks, _REASONS)
    return list(dict.fromkeys(told))


def _phrases(checks: Iterable[Check], words: dict[str, str]) -> list[str]:
    return [
        words[check.id].format(check.mic)
        if check.id in words
        else without_units(check.title[:1].lower() + check.title[1:])
        for check in checks
    ]
