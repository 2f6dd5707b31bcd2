"""What to change on the set-up before the next take, from what was measured and nothing else.

Gain advice aims at the headroom that practice keeps: the loudest words at about -12 dBFS, so that
a laugh still fits (common practice, no source). Within 6 dB of that nothing is said.
"""

from collections.abc import Sequence

from dualmic.findings.base import Finding
from dualmic.hearing import Hearing
from dualmic.problems import CHAIN, microphone, person
from dualmic.record import Roles

LOUD_WORDS_DBFS = -12.0
SLACK_DB = 6.0
LEAST_SPEECH_S = 3.0


def advice(hearing: Hearing, findings: Sequence[Finding], roles: Roles) -> list[str]:
    """Return sentences in the order in which they matter."""
    kinds = {(f.kind, f.mic) for f in findings if f.severity != "note"}
    told: list[str] = []
    for mic in (1, 0):
        name = microphone(roles, mic)
        if ("mic_dead", mic) in kinds:
            told.append(f"Get {name} working: check {CHAIN}.")
        elif ("dropout", mic) in kinds:
            told.append(f"Find why {name} cuts out: check {CHAIN}.")
    if ("dual_mono", None) in kinds:
        told.append("Give each microphone a channel of its own: check the camera's sound settings.")
    if any(f.kind == "dual_mono" and f.facts.get("inverted") for f in findings):
        told.append("Use one channel alone: one is the other inverted, and together they cancel.")
    for mic in (1, 0):
        told += _gain(hearing, kinds, roles, mic)
    for mic in (1, 0):
        name = microphone(roles, mic)
        if ("hum", mic) in kinds:
            told.append(f"Hunt the buzz on {name}: cables away from mains, camera on battery.")
        noises = [f for f in findings if (f.kind, f.mic) == ("noise", mic) and f.severity != "note"]
        passes = [bool(f.facts.get("passing")) for f in noises]
        if any(passes):
            told.append(f"Wait until what is loud behind {person(roles, mic)} has gone by.")
        if not all(passes):
            told.append(f"Bring {name} nearer to the mouth, or leave the noise behind.")
    if ("polarity", None) in kinds:
        told.append("Check the adapter cables: one microphone is wired the other way round.")
    if any(kind == "crosstalk" for kind, _ in kinds):
        told.append("Put both microphones nearer to their mouths, or sit further apart.")
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
    if hearing.measured.is_float and change < 0:
        return []
    if change > SLACK_DB:
        return [f"Turn {owner}'s input up {round(change):.0f} dB."]
    if change < -SLACK_DB:
        return [f"Turn {owner}'s input down {round(-change):.0f} dB."]
    return []
