"""What else was found, or was not, makes some findings no more than notes."""

from dualmic.cracking import ABRUPT_DB
from dualmic.findings.base import Finding, as_note
from dualmic.findings.jumps import mostly_dead
from dualmic.hearing import Hearing

# Our choices. Loose plugs crack and wind blows again and again. What a microphone has once in a
# whole take, and no stronger than this, only may be that: a crack that lips now and then make as
# abruptly (of untouched speech three in four hours stood out by 15 to 17 dB; of some 60 takes with
# cracks each held one of 24 dB and more), a gust whose mean stays under its limit.
LONE_CRACK_DB = 20.0
MOSTLY = 0.5  # our choice: of a second voice, how much of it has to be cloth


def doubted(hearing: Hearing, found: list[Finding]) -> list[Finding]:
    """Return the findings, those that the others put in doubt as notes."""
    kinds = _kinds(hearing, found)
    return [as_note(f) if _is_doubted(f, kinds, found) else f for f in found]


def _is_doubted(finding: Finding, kinds: set[tuple[str, int | None]], found: list[Finding]) -> bool:
    by_kind = kinds & {(finding.kind, finding.mic), (finding.kind, None)}
    return bool(by_kind) or any(doubts(finding, found) for doubts in _DOUBTS)


def _kinds(hearing: Hearing, found: list[Finding]) -> set[tuple[str, int | None]]:
    """Return the kinds that are no more than notes beside what else was found.

    Each with the microphone on which that is so, None for whatever microphone.
    """
    kinds = set[tuple[str, int | None]]()
    if any(finding.facts.get("automatic") for finding in found):
        # Where a gain sets itself, no leak is as it usually is: it may be missing without any cloth
        # and stand out without anybody talking.
        kinds |= {("rustle", None), ("both_talking", None)}
    noisy = {f.mic for f in found if f.kind == "noise" and f.severity != "note"}
    if noisy or mostly_dead(hearing):
        # A loud background may pass for a second voice, and so may the only one that one of the
        # microphones ever heard.
        kinds.add(("both_talking", None))
    # In a crowd so loud that no pause shows what it is without words, what somebody says beside one
    # microphone the other may hear no more than cloth.
    kinds |= {("rustle", mic) for mic in noisy if mic is not None and hearing.floors[mic] is None}
    if any(finding.kind == "one_place" for finding in found):
        # One place hears one gain: that both channels change alike does not prove the room.
        kinds.add(("background_change", None))
    return kinds


def _may_be_onset(crack: Finding, found: list[Finding]) -> bool:
    """Whether a crack may be how a word begins before the gain that follows it goes down.

    The first milliseconds stand out from both sides then, by as much as the gain moves, and the
    leak that is missing proves nothing. Nothing but a crack is as abrupt as some are.
    """
    if crack.kind != "click" or (crack.value or 0.0) >= ABRUPT_DB:
        return False
    return any(f.facts.get("automatic") and f.mic == crack.mic for f in found)


def _is_lone(finding: Finding, found: list[Finding]) -> bool:
    """Whether it is a faint crack or gust, the only one on its microphone."""
    if finding.kind not in ("click", "wind") or finding.value is None or finding.count > 1:
        return False
    least_db = LONE_CRACK_DB if finding.kind == "click" else finding.limit
    alike = [f for f in found if f.kind == finding.kind and f.mic == finding.mic]
    return len(alike) == 1 and least_db is not None and finding.value < least_db


def _is_cloth(talk: Finding, found: list[Finding]) -> bool:
    """Whether what passes for a second voice is for the most cloth on a microphone."""
    if talk.kind != "both_talking":
        return False
    cloth = [f for f in found if f.kind == "rustle" and f.severity != "note"]
    return any(_shared_s(talk, f) > MOSTLY * (talk.end_s - talk.start_s) for f in cloth)


def _shared_s(one: Finding, other: Finding) -> float:
    return min(one.end_s, other.end_s) - max(one.start_s, other.start_s)


_DOUBTS = (_may_be_onset, _is_lone, _is_cloth)
