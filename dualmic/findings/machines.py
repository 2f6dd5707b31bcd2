"""Backgrounds that start or stop, as machines do: told two ways, joined, and judged.

``floors.py`` tells them band by band, ``quiet_steps.py`` by what lies between words. What comes at
once in both microphones is a machine, see ``at_once.py``; all else may be a lorry that passes.
"""

from dataclasses import replace

import numpy as np

from dualmic.findings.at_once import at_once
from dualmic.findings.base import BLOCKS_PER_S, Finding
from dualmic.findings.floors import BAND_DB, Step, find_steps
from dualmic.findings.moments import SURE_S, moment
from dualmic.findings.quiet_steps import A_DB, a_weighted_db, find_quiet_steps
from dualmic.tiles import Mask, Powers

# All our choices, tuned on simulated scenes.
CHANGE_DB, MANY_BANDS, NOTE_DB = 3.5, 8, 4.0  # where so many of both change alike, and elsewhere
ONE_MIC_DB = 6.5  # of a background that one microphone alone hears: voices move by less
BACKGROUND_DB = 6.0  # a cut across less is covered by the voice's own changes
LOUDEST_DB = 30.0  # what comes up by more comes after silence, as where a take fades in
# A change at once is so much likelier than a slow one, in each microphone and in both, in nepers.
AT_ONCE_EACH, AT_ONCE_BOTH = 1.5, 5.0
FOLLOW_DB, FOLLOW_SHARE = 1.0, 0.5  # of the bands, in the microphone that hears it less
# A machine is heard in several bands: a voice that holds a vowel may look like one in two.
LEAST_BANDS = 3
VOICED, OUTSIDE_DB = 7, 5.0  # bands below 8 kHz; what both microphones have to show beside them
# A bell, struck once, dies away as fast as this; words, in the room around them, faster.
RINGS_DB_PER_S, RINGS_S, RINGS_WITHIN_DB = (2.5, 8.0), 0.8, 3.0
SLACK_S, SAME_S = 0.3, 8.0  # between what both ways say of one change's moment


def find_machines(
    blocks: Powers, quiet: Mask, talk: Mask, pause: Mask
) -> list[tuple[float, Finding]]:
    """Return the changes of background and their moments in seconds, in order of time.

    Args:
        blocks: band levels of every 50 ms in dB, ``(2, blocks, bands)``, NaN where nothing is.
        quiet: which blocks hold the background alone, ``(blocks,)``.
        talk: which hold anybody's speech.
        pause: which lie in pauses.

    """
    steps = find_steps(blocks, talk, pause, A_DB[: blocks.shape[2]])
    quiet_steps = find_quiet_steps(blocks, quiet, talk, pause)
    found = []
    for step in _joined(steps, quiet_steps, blocks, (talk, pause)):
        finding = of_step(step)
        if finding is None:
            continue
        if _is_sure(finding, step, blocks, (talk, pause)):
            finding = replace(finding, severity="warn")
        found.append((step.at / BLOCKS_PER_S, finding))
    return found


def _joined(
    steps: list[Step], quiet_steps: list[Step], blocks: Powers, masks: tuple[Mask, Mask]
) -> list[Step]:
    """Return all steps, each once: dated band by band where both ways agree on the moment.

    Of the two the smaller is told, as a voice may be in the other. Where the moments differ, both
    sides of what both know are asked for the one between.
    """
    slack, reach = round(SLACK_S * BLOCKS_PER_S), round(SAME_S * BLOCKS_PER_S)
    steps, told = (
        [step for step in each if of_step(step) is not None] for each in (steps, quiet_steps)
    )

    def near(step: Step, quiet: Step, blocks: int) -> bool:
        return step.falls == quiet.falls and quiet.first - blocks <= step.at <= quiet.last + blocks

    agreed = []
    for step in steps:
        same = next((quiet for quiet in told if near(step, quiet, slack)), None)
        if same is not None:
            smaller = min(step, same, key=lambda each: float(np.nanmax(np.abs(each.weighted_db))))
            agreed.append(replace(smaller, at=step.at, first=step.first, last=step.last))
    alone = [step for step in steps if not any(near(step, quiet, reach) for quiet in told)]
    rest = []
    for quiet in told:
        if any(near(step, quiet, slack) for step in agreed):
            continue
        others = [s for s in steps if near(s, quiet, reach)]
        if others:
            quiet = _dated(quiet, min(others, key=lambda o: abs(o.at - quiet.at)), blocks, masks)
        rest.append(quiet)
    return sorted([*agreed, *alone, *rest], key=lambda step: step.at)


def _dated(quiet: Step, other: Step, blocks: Powers, masks: tuple[Mask, Mask]) -> Step:
    """Date a step by what either way knows of the backgrounds on both sides."""
    before = np.concatenate([quiet.before_db, other.before_db])
    by = np.concatenate([quiet.by_db, other.by_db])
    span = min(quiet.first, other.first), max(quiet.last, other.last)
    at, first, last = moment(np.tile(blocks, (2, 1, 1)), before, before + by, span, *masks)
    return replace(quiet, at=at, first=first, last=last)


def of_step(step: Step) -> Finding | None:
    """Return what a step of the background is; None for what one band of a voice may look like."""
    by = step.by_db * (-1.0 if step.falls else 1.0)
    same = np.nan_to_num(by) >= BAND_DB
    change = step.weighted_db
    # Under 100 Hz and over 8 kHz a voice reaches nearly never: there one band is enough.
    outside = np.nan_to_num(by[:, [0, *range(VOICED, by.shape[1])]]).min(axis=0) >= OUTSIDE_DB
    if (same.sum() < LEAST_BANDS and not outside.any()) or np.isnan(change).all():
        return None
    mic = int(np.nanargmax(np.abs(change)))
    value = float(change[mic])
    if abs(value) < (CHANGE_DB if same.sum() >= MANY_BANDS else NOTE_DB):
        return None
    # The bands that show it here: do they follow there?
    there = by[1 - mic, same[mic]]
    there = there[np.isfinite(there)]
    follows = bool(len(there)) and bool((there >= FOLLOW_DB).mean() > FOLLOW_SHARE)
    if not follows and (abs(value) < ONE_MIC_DB or same[mic].sum() < LEAST_BANDS):
        return None
    start_s, end_s = step.first / BLOCKS_PER_S - SURE_S, step.last / BLOCKS_PER_S + SURE_S
    where = None if follows else mic
    value = round(value, 1)
    return Finding("background_change", where, start_s, end_s, "note", value, BACKGROUND_DB, "dB")


def _is_sure(finding: Finding, step: Step, blocks: Powers, masks: tuple[Mask, Mask]) -> bool:
    """Whether a change is more than a note: it comes or goes at once in both microphones."""
    if finding.mic is not None or not BACKGROUND_DB <= abs(finding.value or 0.0) <= LOUDEST_DB:
        return False
    if (finding.value or 0.0) > 0 and _dies_away(blocks, step.last):
        return False
    nepers = at_once(blocks, step.before_db, step.before_db + step.by_db, step.at, masks)
    # Comparisons with NaN are false: a microphone that says nothing bears nothing out.
    return bool((nepers > AT_ONCE_EACH).all() and nepers.sum() > AT_ONCE_BOTH)


def _dies_away(blocks: Powers, at: int) -> bool:
    """Whether what came up falls evenly from there on in both microphones, as a bell rings out."""
    length = round(RINGS_S * BLOCKS_PER_S)
    level_db = a_weighted_db(blocks[:, at + 1 : at + 1 + length])
    if level_db.shape[1] < length or not np.isfinite(level_db).all():
        return False
    course = np.arange(length) / BLOCKS_PER_S
    slowest, fastest = RINGS_DB_PER_S
    for row in level_db:
        slope, start = np.polyfit(course, row, 1)
        even = np.ptp(row - start - slope * course) <= RINGS_WITHIN_DB
        if not (even and slowest <= -slope <= fastest):
            return False
    return True
