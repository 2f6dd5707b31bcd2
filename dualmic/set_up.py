"""What to change on the set-up before the next take, from what was measured and nothing else.

Gain advice aims at the headroom that practice keeps: the loudest words at about -12 dBFS, so that
a laugh still fits (common practice, no source). Within 6 dB of that nothing is said.
"""

from collections.abc import Sequence

from dualmic.findings.base import Finding, overlaps
from dualmic.hearing import Hearing
from dualmic.problems import CHAIN, microphone, person
from dualmic.record import Roles

LOUD_WORDS_DBFS = -12.0
SLACK_DB = 6.0
LEAST_SPEECH_S = 3.0
MANY_JUMPS = 3  # our choice: nobody turns a gain that often


def advice(hearing: Hearing, findings: Sequence[Finding], roles: Roles) -> list[str]:
    """Return sentences in the order in which they matter."""
    kinds = {(f.kind, f.mic) for f in findings if f.severity != "note"}
    told: list[str] = []
    told += _lost(findings, kinds, roles)
    if ("one_place", None) in kinds:
        told.append("Check the camera's sound settings: it recorded its own microphones.")
    if ("dual_mono", None) in kinds:
        told.append("Give each microphone a channel of its own: check the camera's sound settings.")
    if any(f.kind == "dual_mono" and f.facts.get("inverted") for f in findings):
        told.append("Use one channel alone: one is the other inverted, and together they cancel.")
    for mic in (1, 0):
        told += _gain(hearing, kinds, roles, mic)
    hums = [f for f in findings if f.kind == "hum" and f.severity != "note"]
    if any(f.facts.get("in_room") for f in hums):
        told.append("Switch off what hums in the room, or move away: both microphones hear it.")
    cables = {f.mic for f in hums if not f.facts.get("in_room")}
    for mic in (1, 0):
        name = microphone(roles, mic)
        if mic in cables:
            told.append(f"Hunt the buzz on {name}: cables away from mains, camera on battery.")
        noises = [f for f in findings if (f.kind, f.mic) == ("noise", mic) and f.severity != "note"]
        passes = [bool(f.facts.get("passing")) for f in noises]
        if any(passes):
            told.append(f"Wait until what is loud behind {person(roles, mic)} has gone by.")
        if not all(passes):
            told.append(f"Bring {name} nearer to the mouth, or leave the noise behind.")
    for mic in (1, 0):
        name = microphone(roles, mic)
        told += [words.format(name) for kind, words in _MEND.items() if (kind, mic) in kinds]
        jumps = [f for f in findings if (f.kind, f.mic) == ("level_jump", mic)]
        many = len(jumps) >= MANY_JUMPS or any(f.facts.get("automatic") for f in jumps)
        if ("level_jump", mic) in kinds and many:
            told.append(f"Set the level of {name} by hand: check for automatic level.")
        elif ("level_jump", mic) in kinds:
            told.append(f"Leave the gain of {name} alone during a take.")
    if ("polarity", None) in kinds:
        told.append("Check the adapter cables: one microphone is wired the other way round.")
    if any(kind == "crosstalk" for kind, _ in kinds):
        told.append("Put both microphones nearer to their mouths, or sit further apart.")
    if any(kind == "background_change" for kind, _ in kinds):
        told.append("Find what switches on and off; record room tone with it and without.")
    if ("both_talking", None) in kinds:
        told.append("Let each answer end, and count to two before the next question.")
    return told


_MEND = {
    "wind": "Put a windshield on {}, or move it out of the wind and out of the breath.",
    "rustle": "Free {} and its cable from cloth that moves.",
    "click": "Find why {} cracks: a loose plug, or a radio hit.",
    "dc_offset": "Check the adapter of {}: its signal lies off the zero line.",
}
"""What mends a kind of problem, by kind, for the microphone that is named."""


def _lost(
    findings: Sequence[Finding], kinds: set[tuple[str, int | None]], roles: Roles
) -> list[str]:
    """Say whose sound is missing; where both are at the same moments, look at what they share."""
    gaps = [
        [f for f in findings if (f.kind, f.mic) == ("dropout", mic) and f.severity != "note"]
        for mic in (0, 1)
    ]
    told = []
    if any(overlaps(f.start_s, f.end_s, gaps[1], 0.0) for f in gaps[0]):
        told.append("Find why both microphones cut out at once: check the recorder and its card.")
    for mic in (1, 0):
        name = microphone(roles, mic)
        alone = [f for f in gaps[mic] if not overlaps(f.start_s, f.end_s, gaps[1 - mic], 0.0)]
        if ("mic_dead", mic) in kinds:
            told.append(f"Get {name} working: check {CHAIN}.")
        elif alone:
            told.append(f"Find why {name} cuts out: check {CHAIN}.")
    return told


def _gain(
    hearing: Hearing, kinds: set[tuple[str, int | None]], roles: Roles, mic: int
) -> list[str]:
    peak = hearing.speech_peak_dbfs[mic]
    if peak is None or hearing.speech_s(mic) < LEAST_SPEECH_S or ("mic_dead", mic) in kinds:
        return []
    owner = person(roles, mic)
    change = LOUD_WORDS_DBFS - peak
    if ("clipping", mic) in kinds:
        # A clipped recording hides how loud it was: at least this far down.
        down = max(6.0, round(-change))
        return [f"Turn {owner}'s input down {down:.0f} dB: it is too loud for it."]
    if change < 0 and (hearing.measured.is_float or ("wind", mic) in kinds):
        return []  # nothing is lost by it; or gusts are louder than the words
    if change > SLACK_DB:
        return [f"Turn {owner}'s input up {round(change):.0f} dB."]
    if change < -SLACK_DB:
        return [f"Turn {owner}'s input down {round(-change):.0f} dB."]
    return []
