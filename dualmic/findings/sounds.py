"""Sounds that do not belong: wind on a microphone, cracks, cloth."""

import numpy as np

from dualmic.cracking import CLICK_DB, Crack
from dualmic.findings.base import Finding, Limits, overlaps
from dualmic.hearing import Hearing
from dualmic.meters.leak_slope import leak_slope
from dualmic.meters.masks import mask_of
from dualmic.record import Severity
from dualmic.rustling import MISSING_DB, Rustle, rustles
from dualmic.unwanted import Gust

CLICKS_GAP_S = 0.5  # our choice: cracks closer than this are one event
CLICK_S = 0.003
# A crack, averaged as cloth is, looks like cloth for that long, and more than that share of it is
# over in 30 ms (of cloth with a crack in it 0.15 to 0.19 were seen, of cracks 0.45 and more).
CRACK_SMEAR_S, CRACK_SHARE = 0.25, 0.3
# Our choices. A gain that came up in a pause comes down again within the first syllable: till then
# the word's leak, which no gain lifted, is missing. Where a word begins is known to a fifth of a
# second, and what is lifted before it may pass for speech: it is told by its level.
FALLS_S, BEFORE_ONSET_S, ONSET_S, QUIET_S, QUIET_DB = 0.25, 0.2, 0.3, 0.2, 15.0
# Where no gain follows the words, of a hundred voices in rooms and noise nine rise less with their
# leak; where one does within half a second, three of four.
LEAST_LEAK_SLOPE = 0.75
MOST_FOLLOWED_DB = 17.0  # of leak that such gains, of 8 to 20 dB, let words lack
# Our choices: so short under the wearer's own words, and alone, it may be a sound of the mouth that
# a room, a gate or a codec kept from the other microphone; cloth that is moved rustles for longer.
BRIEF_S, BESIDE_S = 0.2, 1.0
CLIPPED_SHARE = 0.5  # our choice, of a stretch: from its first clipped sample to its last


def wind(hearing: Hearing, limits: Limits) -> list[Finding]:
    """Return the gusts on each microphone; those far under the speech are notes."""
    return [_gust(mic, gust) for mic in (0, 1) for gust in hearing.unwanted.gusts[mic]]


def _gust(mic: int, gust: Gust) -> Finding:
    severity: Severity = "warn" if gust.hurts else "note"
    level, limit = round(gust.level_dbfs, 1), round(gust.limit_dbfs, 1)
    return Finding("wind", mic, gust.start_s, gust.end_s, severity, level, limit, "dBFS")


def clicks(hearing: Hearing, limits: Limits) -> list[Finding]:
    """Return the cracks; those in pauses or under the other person's talk are notes."""
    found: list[Finding] = []
    for mic, shorts in enumerate(hearing.unwanted.cracks):
        groups: list[list[Crack]] = []
        for short in shorts:
            # In speech, what a mouth may have made is taken for that.
            if not short.sure and _speaks_at(hearing, mic, short):
                continue
            if groups and short.at_s - groups[-1][-1].at_s < CLICKS_GAP_S:
                groups[-1].append(short)
            else:
                groups.append([short])
        found += [_cracks(hearing, mic, group) for group in groups]
    return found


def _cracks(hearing: Hearing, mic: int, group: list[Crack]) -> Finding:
    spoken = any(_speaks_at(hearing, mic, short) for short in group)
    severity: Severity = "warn" if spoken else "note"
    over_db = round(max(short.over_db for short in group), 1)
    times = group[0].at_s, group[-1].at_s + CLICK_S
    return Finding("click", mic, *times, severity, over_db, CLICK_DB, "dB", count=len(group))


def _speaks_at(hearing: Hearing, mic: int, short: Crack) -> bool:
    cell = int(short.at_s * 100)
    return bool(hearing.activity.own[mic][cell : cell + 1].any())


def rustle(hearing: Hearing, limits: Limits) -> list[Finding]:
    """Return the stretches in which cloth or a hand is on one microphone; wind is told apart.

    Wind may look like it: :func:`~dualmic.findings.low_bursts.told_apart` sees both.
    """
    held = hearing.measured.held
    touched = rustles(hearing.bands_db, held, hearing.activity, hearing.dead, hearing.shut)
    # Who is no louder in their own microphone leaks more in some bands than in others: thin
    # evidence.
    places = hearing.activity.places
    levels_tell = places is None or places.levels_tell
    found = []
    for mic, stretches in enumerate(touched):
        slope = None
        if any(part.sure for part in stretches):
            slope = leak_slope(hearing.bands_db, hearing.activity, mic)
        follows = slope is not None and slope < LEAST_LEAK_SLOPE
        for part in stretches:
            if _is_a_crack(hearing, mic, part):
                continue
            missing_db = round(part.missing_db, 1)
            times = part.start_s, part.end_s
            sure = part.sure and levels_tell
            sure = sure and not (follows and missing_db < MOST_FOLLOWED_DB)
            sure = sure and not (_is_onset(hearing, mic, part) or _clips(hearing, mic, part))
            sure = sure and not _is_brief(hearing, mic, part, stretches)
            severity: Severity = "warn" if sure else "note"
            found.append(Finding("rustle", mic, *times, severity, missing_db, MISSING_DB, "dB"))
    return found


def _is_a_crack(hearing: Hearing, mic: int, part: Rustle) -> bool:
    """Whether what looks like cloth is a crack, averaged: much of it is over at once."""
    if part.end_s - part.start_s >= CRACK_SMEAR_S:
        return False
    beside = round(CRACK_SMEAR_S * 100) // 2
    first = max(round(part.start_s * 100) - beside, 0)
    power = hearing.measured.levels.power[mic][first : round(part.end_s * 100) + beside]
    at_s = [crack.at_s for crack in hearing.unwanted.cracks[mic]]
    inside = [int(at * 100) - first for at in at_s if part.start_s < at < part.end_s]
    if not inside or not len(power):
        return False
    of_cracks = mask_of(np.array(inside) - 1, np.array(inside) + 2, len(power))
    return bool(power[of_cracks].sum() > CRACK_SHARE * power.sum())


def _is_brief(hearing: Hearing, mic: int, part: Rustle, stretches: list[Rustle]) -> bool:
    """Whether it is short, under the wearer's words, and nothing like it is beside it."""
    others = [other for other in stretches if other is not part]
    alone = not overlaps(part.start_s, part.end_s, others, BESIDE_S)
    own = hearing.activity.own[mic][round(part.start_s * 100) : round(part.end_s * 100)]
    return part.end_s - part.start_s < BRIEF_S and alone and bool(own.any())


def _clips(hearing: Hearing, mic: int, part: Rustle) -> bool:
    """Whether the microphone clips in it for the most: cut tops fill bands that do not leak."""
    cells = hearing.clipped[mic][round(part.start_s * 100) : round(part.end_s * 100)]
    cut = np.flatnonzero(cells)
    return len(cut) > 0 and cut[-1] + 1 - cut[0] > CLIPPED_SHARE * len(cells)


def _is_onset(hearing: Hearing, mic: int, part: Rustle) -> bool:
    """Whether it is no longer than a gain takes to come down, where the wearer begins to speak."""
    own, power = hearing.activity.own[mic], hearing.measured.levels.power[mic]
    onset = max(round((part.start_s - BEFORE_ONSET_S) * 100), 0)
    word = slice(onset, round((part.end_s + ONSET_S) * 100))
    before = slice(max(onset - round(QUIET_S * 100), 0), onset)
    rises = power[before].max(initial=0) < power[word].max(initial=0) * 10 ** (-QUIET_DB / 10)
    begins = own[word].any() and (rises or not own[before].any())
    return bool(part.end_s - part.start_s <= FALLS_S and begins)
