"""Findings in words: what was heard and what to do, for somebody who does not know decibels.

Advice never diagnoses what cannot be measured. It says "check", in the order in which a signal
runs: the pack, the receiver's output, the camera's input.
"""

from collections.abc import Callable, Sequence

from dualmic.findings.base import Finding
from dualmic.record import MIC_ROLES, MicRole, Problem, Roles, Timecode
from dualmic.timecode import at

CHAIN = "the pack, the receiver's output and the camera's input, in that order"

SHARED = "the microphone"
"""What both people's one microphone is called: it is nobody's own."""

Words = Callable[[Finding, str], tuple[str, str]]


def _clipping(f: Finding, mic: str) -> tuple[str, str]:
    tops = f"{f.count} moments" if f.count > 1 else "one moment"
    if f.facts.get("rounded"):
        heard = f"The loudest words of {mic} are rounded off at one level ({tops})."
        return heard, f"A little less input spares them; check for a limiter in {CHAIN}."
    lost_ms = f.value or 0.0
    long = f"{lost_ms / 1000:.1f} s" if lost_ms >= 1000 else f"{lost_ms:.3g} ms"
    heard = f"Too loud for the input of {mic}: it crackles ({tops}, {long} in all)."
    if f.severity == "note":
        return heard, "Too short for most ears: listen once, then leave it or let it be repaired."
    return heard, f"Turn the input of {mic} down before going on: {CHAIN}."


def _dropout(f: Finding, mic: str) -> tuple[str, str]:
    if f.facts.get("muted"):
        heard = f"{mic[0].upper()}{mic[1:]} goes fully silent in pauses."
        return heard, "No word is missing. Check whether the pack mutes itself; room tone is lost."
    what = "freezes" if f.facts.get("frozen") else "is gone"
    times = f", {f.count} times" if f.count > 1 else ""
    heard = f"The sound of {mic} {what} for a moment ({f.value:g} ms{times})."
    if f.severity == "note":
        return heard, "Very short: listen once whether it can be heard."
    return heard, f"Check plugs and batteries, and the way between sender and receiver: {CHAIN}."


def _mic_dead(f: Finding, mic: str) -> tuple[str, str]:
    when = "throughout" if f.facts.get("whole") else "here"
    heard = (
        f"{mic[0].upper()}{mic[1:]} is not working {when}: somebody talks, nothing in it is usable."
    )
    return heard, f"Check {CHAIN}: switched on, battery, mute, plug, the right input."


def _dual_mono(f: Finding, mic: str) -> tuple[str, str]:
    if f.facts.get("inverted"):
        return (
            "Both channels are the same microphone, one of them inverted: together they cancel.",
            "Use one channel alone. Check that each microphone goes to a channel of its own.",
        )
    return (
        "Both channels are the same microphone.",
        "Check that each microphone goes to a channel of its own in the camera's sound settings.",
    )


def _polarity(f: Finding, mic: str) -> tuple[str, str]:
    return (
        "The two microphones work against each other: their polarity is opposite.",
        "Nothing is lost: tell whoever mixes to invert one. Check the adapter cables.",
    )


def _crosstalk(f: Finding, mic: str) -> tuple[str, str]:
    return (
        f"The other voice is loud in {mic} ({f.value:g} dB once both are levelled).",
        "Put both microphones nearer to their mouths, or sit further apart; "
        "in the cut, open one microphone at a time.",
    )


def _noise(f: Finding, mic: str) -> tuple[str, str]:
    if f.facts.get("passing"):
        return (
            f"Something loud goes by under the words in {mic}: they stand {f.value:g} dB over it.",
            "Wait until it has gone, and ask again.",
        )
    return (
        f"Too much background in {mic}: its speech stands only {f.value:g} dB over it.",
        "Put the microphone nearer to the mouth, or find the source and move away from it.",
    )


def _low_level(f: Finding, mic: str) -> tuple[str, str]:
    least = "at least " if f.facts.get("at_least") else ""
    return (
        f"Speech in {mic} was recorded too quietly: it needs {least}{f.value:g} dB more.",
        f"Turn its input up, or put the microphone nearer: {CHAIN}.",
    )


def _hum(f: Finding, mic: str) -> tuple[str, str]:
    told = f"{f.facts['frequency_hz']:.1f} Hz"
    if f.facts.get("in_room"):
        return (
            f"A buzz in {mic} ({told}), and alike in the other: it is in the room, in no cable.",
            "Switch off what hums in the room, or go away from it; if it stays, run the camera on"
            " its battery.",
        )
    if f.facts.get("not_mains_hz"):
        return (
            f"An electric buzz in {mic} ({told}, not the mains' {f.facts['not_mains_hz']:g} Hz).",
            "Look for a generator, a motor or a converter, and move cables away from it.",
        )
    return (
        f"An electric buzz in {mic} ({told}).",
        "Run the camera on its battery and move cables away from mains leads and chargers.",
    )


def _dc_offset(f: Finding, mic: str) -> tuple[str, str]:
    return (
        f"The signal of {mic} lies off its zero line ({f.value:g} %).",
        "A low cut in the mix mends it. Check the adapter and the input it runs through.",
    )


def _bad_samples(f: Finding, mic: str) -> tuple[str, str]:
    return (
        f"Samples of {mic} are not numbers ({f.value:g} in all); they were taken as silence.",
        "Copy the file from the card again and compare; the card's own file may be whole.",
    )


def _truncated(f: Finding, mic: str) -> tuple[str, str]:
    missing = f" About {f.value:g} s are missing." if f.value is not None else ""
    return (
        f"The file is cut short: it promises more than it holds.{missing}",
        "Keep the card as it is and copy the file again; check the battery and the card.",
    )


def _click(f: Finding, mic: str) -> tuple[str, str]:
    times = f" ({f.count} times)" if f.count > 1 else ""
    if f.facts.get("drops"):
        return (
            f"Short cracks in {mic} again and again{times}, as drops of rain make them.",
            f"If it does not rain, check {CHAIN}; a roof, a tent or a hood above it is what rings.",
        )
    return (
        f"A crack in {mic}{times}.",
        f"Listen once. If it comes again, check {CHAIN}: a loose plug or a radio hit.",
    )


def _wind(f: Finding, mic: str) -> tuple[str, str]:
    return (
        f"Wind, breath or knocks on {mic}.",
        "Put a windshield on it, or move it out of the wind and out of the breath.",
    )


def _rustle(f: Finding, mic: str) -> tuple[str, str]:
    return (
        f"Clothes or a hand on {mic}.",
        "Free the microphone and its cable from cloth that moves, and ask for still hands.",
    )


def _level_jump(f: Finding, mic: str) -> tuple[str, str]:
    if f.facts.get("automatic"):
        return (
            f"The level of {mic} changes by itself: the background comes up in every pause.",
            "Check whether the camera's automatic level is on, and set the level by hand.",
        )
    way = "up" if (f.value or 0) > 0 else "down"
    return (
        f"The level of {mic} jumps {way} here ({abs(f.value or 0):g} dB) and stays there.",
        f"Check whether somebody touched a gain: {CHAIN}.",
    )


def _background_change(f: Finding, mic: str) -> tuple[str, str]:
    what = "comes up" if (f.value or 0) > 0 else "goes away"
    if f.facts.get("tone_hz"):
        return (
            f"A tone of {f.facts['tone_hz']:.0f} Hz {what} here, as of a machine.",
            "Find what switches on and off; record some room tone with it and without.",
        )
    return (
        f"The background {what} here: a cut across it will be heard.",
        "Find what switches on and off; record some room tone with it and without.",
    )


def _one_place(f: Finding, mic: str) -> tuple[str, str]:
    return (
        "Both people are equally loud in both channels: the camera recorded its own microphones.",
        "Check which input the camera's sound settings name for each channel.",
    )


def _both_talking(f: Finding, mic: str) -> tuple[str, str]:
    if f.facts.get("assent"):
        return (
            "A short assent under the answer.",
            "It can stay, or be lowered on the other microphone; nodding is silent.",
        )
    return (
        "You talk over the answer: both voices at once, which no cut can undo.",
        "Let the answer end, and count to two before the next question.",
    )


def _gap(f: Finding, mic: str) -> tuple[str, str]:
    return (
        "The recording has a gap here: the file's own clock jumps.",
        "It was filled with silence. Check the card's speed; take the other camera's copy.",
    )


WORDS: dict[str, Words] = {
    "clipping": _clipping,
    "dropout": _dropout,
    "mic_dead": _mic_dead,
    "dual_mono": _dual_mono,
    "polarity": _polarity,
    "crosstalk": _crosstalk,
    "noise": _noise,
    "low_level": _low_level,
    "hum": _hum,
    "dc_offset": _dc_offset,
    "bad_samples": _bad_samples,
    "truncated": _truncated,
    "click": _click,
    "wind": _wind,
    "rustle": _rustle,
    "level_jump": _level_jump,
    "background_change": _background_change,
    "one_place": _one_place,
    "both_talking": _both_talking,
}


def person(roles: Roles, mic: int) -> str:
    """Return the name to print for whoever wears microphone 0 or 1, or their role."""
    if roles.interviewer is None:
        return SHARED
    name = roles.interviewer_name if mic == 0 else roles.subject_name
    return name or f"the {MIC_ROLES[mic]}"


def microphone(roles: Roles, mic: int | None) -> str:
    """Return "the subject's microphone", with the person's own name where one is set."""
    if roles.interviewer is None:
        return SHARED
    return "both microphones" if mic is None else f"{person(roles, mic)}'s microphone"


def to_problems(
    findings: Sequence[Finding], roles: Roles, timecode: Timecode | None
) -> list[Problem]:
    """Turn findings into the record's problems, numbered in the order given."""
    problems = []
    for number, finding in enumerate(findings, start=1):
        words = _gap if finding.facts.get("gap") else WORDS[finding.kind]
        heard, advice = words(finding, microphone(roles, finding.mic))
        if finding.facts.get("doubted"):
            heard = f"Perhaps {heard[0].lower()}{heard[1:]}"
        role: MicRole | None = None if finding.mic is None else MIC_ROLES[finding.mic]
        channel = None if finding.mic is None else (roles.interviewer, roles.subject)[finding.mic]
        start_s, end_s = round(float(finding.start_s), 4), round(float(finding.end_s), 4)
        problems.append(
            Problem(
                id=number,
                kind=finding.kind,
                mic=role,
                channel=channel,
                start_s=start_s,
                end_s=end_s,
                start_timecode=at(timecode, start_s),
                end_timecode=at(timecode, end_s),
                count=finding.count,
                severity=finding.severity,
                value=None if finding.value is None else float(finding.value),
                limit=finding.limit,
                unit=finding.unit,
                heard=heard,
                advice=advice,
            )
        )
    return problems
