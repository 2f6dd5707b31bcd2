"""All findings of one take: a new family of problems is one line here."""

from functools import partial

from dualmic.findings import background, changes, damage, dropouts, hums, pairing, sounds, talk
from dualmic.findings.base import (
    ENDS_S,
    SHORTEST_S,
    Finder,
    Finding,
    Known,
    Limits,
    overlaps,
)
from dualmic.findings.doubts import doubted
from dualmic.findings.drops import gathered
from dualmic.findings.low_bursts import told_apart
from dualmic.findings.passing import passing_noise
from dualmic.hearing import Hearing
from dualmic.stack import let_go


def all_findings(
    hearing: Hearing,
    limits: Limits,
    channels: tuple[int, int],
    *,
    one_mic: bool = False,
    known: Known | None = None,
) -> list[Finding]:
    """Return every finding, worst first and then in order of time.

    Args:
        hearing: the take, measured and listened to.
        limits: the strictest limits of the deliveries asked for.
        channels: channels (from 0) of the interviewer's and the subject's microphone.
        one_mic: both people share one microphone: nothing that compares two is asked.
        known: what was found already, by what finds it.

    """
    found = [
        *damage.clipping(hearing, limits),
        *damage.rounded(hearing),
        *dropouts.dropouts(hearing, limits),
        *damage.bad_samples(hearing, channels),
        *damage.dc_offset(hearing),
    ]
    let_go()
    if hearing.measured.duration_s >= SHORTEST_S:
        found += _of_sound(hearing, limits, known or {}, one_mic=one_mic)
        found = gathered(doubted(hearing, found))
    order = {"fail": 0, "warn": 1, "note": 2}
    return sorted(found, key=lambda f: (order[f.severity], f.start_s, f.kind, f.mic or 0))


def _of_sound(hearing: Hearing, limits: Limits, known: Known, *, one_mic: bool) -> list[Finding]:
    """Return what takes more than single samples to tell."""
    same = [] if one_mic else pairing.dual_mono(hearing)
    let_go()
    place = [] if one_mic or same else talk.one_place(hearing)
    of_each: list[Finder] = [
        background.noise,
        background.low_level,
        hums.hum,
        changes.changes,
        sounds.wind,
        sounds.clicks,
    ]
    if changes.changes not in known:
        known = {**known, changes.changes: changes.changes(hearing, limits)}
        let_go()
    of_two: list[Finder] = [pairing.mic_dead, pairing.polarity, passing_noise]
    if not place:
        of_two.append(partial(pairing.crosstalk, same=same, changes=known[changes.changes]))
        of_two += [talk.both_talking, sounds.rustle]
    found = [*same, *place]
    for find in of_each if one_mic else of_each + of_two:
        found += known[find] if find in known else find(hearing, limits)
        let_go()
    if same:  # where both hold one signal, nobody can be told apart
        found = [
            f for f in found if f.kind != "both_talking" or not overlaps(f.start_s, f.end_s, same)
        ]
    found = told_apart(hearing, found)
    return [f for f in found if not _is_seam(f, found) and not _is_joint(f, same)]


def _is_joint(jump: Finding, same: list[Finding]) -> bool:
    """Whether a jump or change of background is where one microphone takes the other's place."""
    if jump.kind not in ("level_jump", "background_change") or jump.facts.get("automatic"):
        return False
    return any(
        jump.start_s - changes.APART_S < edge_s < jump.end_s + changes.APART_S
        for f in same
        for edge_s in (f.start_s, f.end_s)
    )


def _is_seam(crack: Finding, found: list[Finding]) -> bool:
    """Whether a crack is where a gain jumps, or where a hum, dead or doubled stretch ends."""
    return crack.kind == "click" and any(
        (f.kind in ("dual_mono", "mic_dead", "hum") or _surely_jumps(f))
        and f.mic in (None, crack.mic)
        and min(abs(crack.start_s - f.start_s), abs(crack.start_s - f.end_s)) < ENDS_S
        for f in found
    )


def _surely_jumps(finding: Finding) -> bool:
    return finding.kind == "level_jump" and finding.severity != "note"
