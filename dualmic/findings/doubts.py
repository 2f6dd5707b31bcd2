"""What else was found, or was not, makes some findings no more than notes."""

from itertools import pairwise

from dualmic.cracking import ABRUPT_DB
from dualmic.findings.base import ENDS_S, Finding, as_note
from dualmic.findings.jumps import mostly_dead
from dualmic.hearing import Hearing

# Our choice. Lips, stops of consonants and the pulses of a creaky voice stand out by 15 to 21 dB,
# some of them again and again; of some 60 takes with cracks each held one of 24 dB and more.
FAINT_CRACKS_DB = 22.0
OFTEN = 3  # our choice: silent pauses make a microphone one that mutes itself
MOSTLY = 0.5  # our choice: of a second voice, how much of it has to be cloth
# Our choice. A leak at its limit stands 7 dB over such a place; a place varies by some, and in it
# words may be given to whoever did not say them.
LOUD_PLACE_DB = 15.0
# Our choice, a podcast's own limit: in 384 simulated takes no second voice was heard that was not
# there under a background further from the voice than this; in two, within a decibel, four.
DROWNED_DB = 10.0
GOES_AGAIN = 2  # our choice: by chance once
# Our choices. Grids keep within a hertz of these; what is found elsewhere in a single stretch of
# ten seconds may be the pitch of a deep voice.
GRIDS_HZ, OFF_GRID_HZ, LEAST_HUM_S = (50.0, 60.0), 1.0, 10.0


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
    noises = [f for f in _lasting_noise(found) if f.severity != "note"]
    noisy = {f.mic for f in noises}
    drowned = any((f.value or 0.0) < DROWNED_DB for f in noises)
    if drowned or mostly_dead(hearing):
        # A loud background may pass for a second voice, and so may the only one that one of the
        # microphones ever heard.
        kinds.add(("both_talking", None))
    # In a crowd so loud that no pause shows what it is without words, what somebody says beside one
    # microphone the other may hear no more than cloth.
    kinds |= {("rustle", mic) for mic in noisy if mic is not None and hearing.floors[mic] is None}
    # What leaks into a microphone that mutes itself is heard for moments, between its own words.
    for f in found:
        if f.facts.get("muted") and f.count >= OFTEN and f.mic is not None:
            kinds |= {("crosstalk", f.mic), ("rustle", 1 - f.mic)}
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


def _is_faint_crack(finding: Finding, found: list[Finding]) -> bool:
    """Whether neither a crack nor any other on its microphone stands out by more than words do."""
    alike = [f.value or 0.0 for f in _alike(finding, found)]
    return finding.kind == "click" and max(alike) < FAINT_CRACKS_DB


def _is_lone(finding: Finding, found: list[Finding]) -> bool:
    """Whether it is a faint gust, the only one on its microphone."""
    if finding.kind != "wind" or finding.value is None or finding.count > 1:
        return False
    is_faint = finding.limit is not None and finding.value < finding.limit
    return is_faint and len(_alike(finding, found)) == 1  # of a long take, few are to be counted


def _is_cloth(talk: Finding, found: list[Finding]) -> bool:
    """Whether what passes for a second voice is for the most cloth on a microphone."""
    if talk.kind != "both_talking":
        return False
    cloth = [f for f in found if f.kind == "rustle" and f.severity != "note"]
    return any(_shared_s(talk, f) > MOSTLY * (talk.end_s - talk.start_s) for f in cloth)


def _shared_s(one: Finding, other: Finding) -> float:
    return min(one.end_s, other.end_s) - max(one.start_s, other.start_s)


def _is_in_a_loud_place(leak: Finding, found: list[Finding]) -> bool:
    """Whether a leak is into a microphone that holds so loud a background that it may be that."""
    return leak.kind == "crosstalk" and any(
        f.mic == leak.mic and (f.value or 0.0) < LOUD_PLACE_DB for f in _lasting_noise(found)
    )


def _lasting_noise(found: list[Finding]) -> list[Finding]:
    """Return the backgrounds that are there all through the take."""
    return [f for f in found if f.kind == "noise" and not f.facts.get("passing")]


def _is_the_background(gust: Finding, found: list[Finding]) -> bool:
    """Whether a gust comes or goes with the background: a machine may be as low."""
    changes = [f for f in found if f.kind == "background_change"]
    edges_s = [at_s for f in changes for at_s in (f.start_s, f.end_s)]
    return gust.kind == "wind" and any(
        min(abs(gust.start_s - at_s), abs(gust.end_s - at_s)) < ENDS_S for at_s in edges_s
    )


def _may_be_a_gate(change: Finding, found: list[Finding]) -> bool:
    """Whether backgrounds go away again and again, and never come: gates that open with words do.

    What a machine makes is seen to come as well, unless it does so during words by chance.
    """
    if change.kind != "background_change":
        return False
    changes = sorted(
        (f for f in found if f.kind == change.kind and f.severity != "note"),
        key=lambda f: f.start_s,
    )
    goes = [(f.value or 0.0) < 0 for f in changes]
    return sum(a and b for a, b in pairwise(goes)) >= GOES_AGAIN


def _is_a_deep_voice(hum: Finding, found: list[Finding]) -> bool:
    """Whether a hum off the grids' frequencies is too short to be told from a voice."""
    told_hz = hum.facts.get("frequency_hz")
    if hum.kind != "hum" or not isinstance(told_hz, float) or len(_alike(hum, found)) > 1:
        return False
    is_short = hum.end_s - hum.start_s <= LEAST_HUM_S
    return is_short and min(abs(told_hz - grid) for grid in GRIDS_HZ) > OFF_GRID_HZ


def _alike(finding: Finding, found: list[Finding]) -> list[Finding]:
    """Return all of one kind on one microphone."""
    return [f for f in found if f.kind == finding.kind and f.mic == finding.mic]


_DOUBTS = (
    _may_be_onset,
    _is_faint_crack,
    _is_lone,
    _is_cloth,
    _is_in_a_loud_place,
    _is_the_background,
    _may_be_a_gate,
    _is_a_deep_voice,
)
