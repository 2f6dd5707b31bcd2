"""Cloth or a hand on a microphone: broadband noise in one microphone that the other never hears.

What a person says reaches the other microphone at a ratio known by band; cloth on the microphone
does not. So wherever a microphone's sound, at that ratio, should stand in the other one well above
what is there, something touches the microphone. Where the leak lies under the other's noise its
absence proves nothing, and such bands stay silent by themselves. Cloth also fills every band at
once, which a voice does not; breath and laughter leak like the voice they belong to.
"""

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from dualmic.meters.continuity import TORN_STEPS, HeldRun
from dualmic.meters.floor import GROUP, noise_floor
from dualmic.meters.masks import (
    bridged,
    cells_of,
    holding,
    longer,
    moving_mean,
    runs_of,
    widened,
)
from dualmic.meters.spectrum import SPEECH_BANDS_HZ
from dualmic.meters.speech import Activity
from dualmic.rustling_shapes import SMEAR_CELLS, even, without_tails
from dualmic.stack import let_go, pieces, room
from dualmic.tiles import Floats, Mask, Powers, power_db

# Our choices, tuned on simulated scenes. A voice is the less likely to lack its leak the flatter
# its spectrum is there: the densities of its bands lie 25 dB apart and more, and then some parts
# lack up to 13 dB in the three bands that show most, averaged over 0.13 s, in takes in which people
# move; where the densities lie within 10 dB, as those of cloth do, none lacks more than 4 dB.
SPREADS_DB = (9.0, 12.0, 16.0, 20.0, 24.0)
MISSING_BY_SPREAD_DB = (4.5, 5.5, 6.5, 9.5, 13.0)
MISSING_DB, HOLD_DB = 4.5, 3.5
# Over a third of a second chance evens out: of simulated speech of four hours the same bands lack
# 1 dB where the densities lie within 15 dB, up to 3 dB within 21 dB and 6 dB within 24 dB.
LONG_CELLS = 31
LONG_SPREADS_DB = (15.0, 18.0, 21.0, 24.0)
LONG_MISSING_DB = (3.0, 3.5, 4.8, 7.5)
LONG_SURE_DB = 2.0  # and so much more where it is sure
# Knocks of a hand are not flat: most of their power lies under 300 Hz. What lacks so much of its
# leak from there up to the highest band for so long is no voice, whatever its spectrum; wind has
# nothing up there. (our choices)
BARE_DB, BARE_HIGH_DB, HIGH_BANDS, BARE_S = 18.0, 12.0, 3, 0.15
TORN_S = 0.02  # shorter gaps hide no leak: they are smoothed over
USED_BANDS = 3
# What is left of the other microphone's sound above its noise is leak; less than this share of the
# noise is the noise's own wandering (of 0.1 s, averaged over bands).
NOISE_WANDERS = 0.35
# A band in which nothing is expected to leak says nothing against cloth.
LEAST_MISSING_DB = -8.0
HEARD_RATIO = 2.0  # own power over the noise from which a band's own level is known
NOTHING_HEARD_DB = 40.0  # wider than any voice: silence is not flat
LEAST_BANDS = 4  # of six stand over the noise; a machine or traffic may hide the lowest two
# A room leaks more in some bands than in others, but not by more than this over most: where a band
# seems to, a rumble or a hum did it.
MOST_OVER_USUAL_DB = 5.0
BESIDE_DEAD_CELLS = 50  # where a microphone dies is known to half a second
SMOOTH_CELLS, SCORE_CELLS = 11, 13
LEAST_OVER_DB = 3.0
# A consonant that reaches both microphones at different times lacks its leak for a moment.
FLAT_DB, UNEVEN_SHORTEST_S = 15.0, 0.12
SHORTEST_S, BRIDGE_S = 0.08, 0.15
LOST_DB, LOST_LONGEST_S = -8.0, 4.0  # what stays so low for longer is another background
# On each side: the noise floor falls for up to twelve seconds round a gap.
AROUND_S, FLOOR_STEP_CELLS = 15.0, 50
ALONE_SPREAD_DB, ALONE_OVER_DB, SILENT_DB = 16.0, 6.0, 4.0
ALONE_SHORTEST_S, ALONE_LONGEST_S = 0.1, 0.8
USUAL_S, LEAST_SPOKEN_CELLS = 8.0, 200
# Of what somebody says without cloth no more than an eighth of a second, or a tenth of what is told
# of it, lacks so much leak and is no cloth by its spectrum. Where the other microphone is gated, or
# this one's gain follows, a second of it does: then no lack proves anything.
HABIT_DB, HABIT_CELLS, HABIT_SHARE, BESIDE_CLOTH_CELLS = 8.0, 20, 0.25, 30
QUIETEST = 1e-15
# Our choices: five minutes at a time, and on each side what the noise floor looks at (12 s).
STRETCH_CELLS, AROUND_CELLS = 30_000, 2_400


@dataclass(frozen=True)
class Rustle:
    """A stretch of rustling and how much of its leak is missing in the other microphone."""

    start_s: float
    end_s: float
    missing_db: float
    sure: bool


def rustles(
    bands_db: np.ndarray,
    held: list[list[HeldRun]],
    activity: Activity,
    dead: Mask,
    shut: Mask,
) -> list[list[Rustle]]:
    """Return the stretches in which something touches each microphone."""
    cells = bands_db.shape[1]
    live = ~widened(dead[0] | dead[1], BESIDE_DEAD_CELLS, BESIDE_DEAD_CELLS)
    # Where the sound of one is torn off, the other's leak is missing without any cloth.
    torn = np.stack([_torn(runs, cells) for runs in held])
    beside = LONG_CELLS // 2 + SMOOTH_CELLS
    live &= ~widened(torn[0] | torn[1] | shut[0] | shut[1], beside, beside)
    may_be, surely = (room((2, cells), np.bool_) for _ in range(2))
    missing_db = room((2, cells), np.float32)
    # A take of hours has millions of cells: a few minutes at a time, and what lies around them.
    for first in range(0, cells, STRETCH_CELLS):
        last = min(first + STRETCH_CELLS, cells)
        part = slice(max(first - AROUND_CELLS, 0), last + AROUND_CELLS)
        inner = slice(first - part.start, last - part.start)
        smooth, floor = _unpacked(bands_db[:, part], torn[:, part])
        for mic in (0, 1):
            # Whoever speaks while the other microphone is dead is heard by this one alone.
            unheard = activity.own[1 - mic][part] & dead[1 - mic][part]
            speaks = activity.own[mic][part] | unheard
            found = _signs(
                smooth,
                floor,
                activity.leak_ratio[mic],
                (live[part], ~dead[mic][part]),
                speaks,
                mic,
            )
            for whole, each in zip((may_be, surely, missing_db), found, strict=True):
                whole[mic, first:last] = each[inner]
        let_go()
    for mic in (0, 1):
        if surely[mic].any() and _by_habit(may_be[mic], missing_db[mic], activity.single[mic]):
            surely[mic] = False
    return [_stretches(may_be[m], surely[m], missing_db[m]) for m in (0, 1)]


def _by_habit(told: Mask, missing_db: Floats, single: Mask) -> bool:
    """Whether the wearer's own words often lack their leak without being like cloth."""
    lacking = within = 0
    for piece in pieces(len(told), STRETCH_CELLS):
        beside = widened(told[piece], BESIDE_CLOTH_CELLS, BESIDE_CLOTH_CELLS)
        lacking += int((missing_db[piece][single[piece] & ~beside] > HABIT_DB).sum())
        within += int((told[piece] & single[piece]).sum())
    return lacking > max(HABIT_CELLS, HABIT_SHARE * within)


def _torn(runs: list[HeldRun], cells: int) -> Mask:
    """Where a microphone's sound is torn off."""
    spans = [
        (run.start_s, run.end_s)
        for run in runs
        if run.end_s - run.start_s >= TORN_S and run.steps >= TORN_STEPS
    ]
    return cells_of(spans, cells)


def _unpacked(bands_db: np.ndarray, torn: Mask) -> tuple[Powers, Powers]:
    """Return the smoothed powers and the noise under them, each ``(2, bands, cells)``."""
    power = 10 ** (bands_db.astype(np.float32) / 10)
    power = np.maximum(power, QUIETEST).transpose(0, 2, 1)
    floor, smooth = np.empty_like(power), np.empty_like(power)
    # What a muted receiver hisses is no background: it is left out as silence is.
    gone = [widened(row, GROUP, GROUP) for row in torn]
    for mic, band in np.ndindex(power.shape[:2]):
        floor[mic, band] = noise_floor(np.where(gone[mic], QUIETEST, power[mic, band]))
        # A running sum leaves a rounding error, even below zero, where there is silence.
        smooth[mic, band] = np.maximum(moving_mean(power[mic, band], SMOOTH_CELLS), QUIETEST)
    return smooth, floor


def _signs(
    smooth: Powers,
    floor: Powers,
    ratio: Powers,
    lives: tuple[Mask, Mask],
    speaks: Mask,
    mic: int,
) -> tuple[Mask, Mask, Floats]:
    """Return where cloth may be, where it surely is, and how much leak is missing in each cell.

    ``lives``: where both microphones work, and where this one does.
    """
    live, lives_itself = lives
    own, other = smooth[mic], smooth[1 - mic]
    ratio = np.minimum(ratio, np.median(ratio) * 10 ** (MOST_OVER_USUAL_DB / 10))
    clean = np.maximum(own - floor[mic], QUIETEST)
    there = np.maximum(other - floor[1 - mic], NOISE_WANDERS * floor[1 - mic])
    missing = np.clip(power_db(clean * ratio[:, None] / there), LEAST_MISSING_DB, 30)
    most = np.sort(missing, axis=0)[-USED_BANDS:].mean(axis=0)
    score = moving_mean(most, SCORE_CELLS)
    usual = _usual(score, speaks)
    score -= usual
    widths = _widths(own, clean, floor[mic])
    spread = moving_mean(widths, SCORE_CELLS)
    rank = len(own) - LEAST_BANDS
    over = moving_mean(np.partition(power_db(own / floor[mic]), rank, axis=0)[rank], SCORE_CELLS)
    # Where the other microphone lost its sound, everything is missing there.
    # A gap of a second may pass for the floor itself, but not for the one around it.
    heard = power_db(other / floor[1 - mic]).max(axis=0)
    below = (heard < LOST_DB) | (power_db(other / _around(floor[1 - mic])).max(axis=0) < LOST_DB)
    short = below & ~longer(below, round(LOST_LONGEST_S * 100))
    lost = widened(short | (heard < LOST_DB), SCORE_CELLS, SCORE_CELLS)
    cloth = live & ~lost & (over > LEAST_OVER_DB)
    needed = np.interp(spread, SPREADS_DB, MISSING_BY_SPREAD_DB, right=np.inf)
    lacking = cloth & (score > needed)
    sure = longer(lacking & (spread < FLAT_DB), round(SHORTEST_S * 100))
    sure |= longer(lacking, round(UNEVEN_SHORTEST_S * 100))
    high = moving_mean(missing[-HIGH_BANDS:].min(axis=0), SCORE_CELLS) - usual
    bare = cloth & (score > BARE_DB) & (high > BARE_HIGH_DB)
    sure |= longer(bare, round(BARE_S * 100))
    long = moving_mean(most, LONG_CELLS) - usual
    long_spread = moving_mean(widths, LONG_CELLS)
    needed = np.interp(long_spread, LONG_SPREADS_DB, LONG_MISSING_DB, right=np.inf)
    long_lacking = cloth & (long > needed)
    held = holding(live & ((score > HOLD_DB) | long_lacking), sure | long_lacking)
    sure |= cloth & (long > needed + LONG_SURE_DB)
    # Where the leak cannot tell, only a flat spectrum in this microphone alone can: thin evidence,
    # and none inside speech, where a hiss may run into a vowel.
    # A microphone that is dead for longer lost nothing just there.
    alone = (
        lives_itself
        & ~longer(speaks, round(ALONE_LONGEST_S * 100))
        & (~lost | longer(~live, round(LOST_LONGEST_S * 100)))
        & (spread < ALONE_SPREAD_DB)
        & (over > ALONE_OVER_DB)
        & (moving_mean(heard, SCORE_CELLS) < SILENT_DB)
    )
    held |= longer(alone, round(ALONE_SHORTEST_S * 100))
    held = without_tails(bridged(held, round(BRIDGE_S * 100)), own)
    return held, sure & ~even(held, own), score.astype(np.float32)


def _widths(own: Powers, clean: Powers, floor: Powers) -> Powers:
    """Return how far apart, at least, the densities of a sound's bands lie, ``(cells,)`` in dB.

    Args:
        own: powers of one microphone, ``(bands, cells)``.
        clean: the same, noise removed.
        floor: the noise.

    """
    widths = power_db(np.diff(SPEECH_BANDS_HZ))[:, None]
    heard = own > HEARD_RATIO * floor
    high = np.where(heard, power_db(clean), -np.inf) - widths
    # Of what lies under the noise all that is known is that it is no louder.
    low = power_db(np.where(heard, clean, np.maximum(floor, QUIETEST))) - widths
    apart = np.maximum(high.max(axis=0) - low.min(axis=0), 0.0)
    return np.where(heard.any(axis=0), apart, NOTHING_HEARD_DB)


def _around(floor: Powers) -> Powers:
    """Return the noise that is usual for some seconds around each cell, ``(bands, cells)``."""
    cells = floor.shape[1]
    few = floor[:, ::FLOOR_STEP_CELLS]
    side = round(AROUND_S * 100) // FLOOR_STEP_CELLS
    padded = np.pad(few, ((0, 0), (side, side)), mode="reflect" if few.shape[1] > side else "edge")
    windows = sliding_window_view(padded, 2 * side + 1, axis=1)
    usual = np.median(windows, axis=2).repeat(FLOOR_STEP_CELLS, axis=1)
    return np.asarray(usual[:, :cells])


def _stretches(held: Mask, sure: Mask, score: Floats) -> list[Rustle]:
    found: list[Rustle] = []
    for start, end in zip(*runs_of(held), strict=True):
        first, last = start + SMEAR_CELLS, end - SMEAR_CELLS
        if last - first < round(SHORTEST_S * 100):
            first, last = start, end
        worst = float(score[start:end].max())
        certain = bool(sure[start:end].any())
        found.append(Rustle(float(first) / 100, float(last) / 100, worst, certain))
    return found


def _usual(score: Powers, speaks: Mask) -> Powers:
    """Return how much leak is missing in the wearer's speech for some seconds, at least none.

    Who turns round, or was nearer before, leaks less than over the whole take without any cloth.
    """
    length, step = round(USUAL_S * 100), round(USUAL_S * 25)
    middles = np.arange(0, len(score) + step, step)
    usual = []
    for middle in middles:
        near = slice(max(middle - length // 2, 0), middle + length // 2)
        spoken = score[near][speaks[near]]
        usual.append(float(np.median(spoken)) if len(spoken) >= LEAST_SPOKEN_CELLS else 0.0)
    return np.maximum(np.interp(np.arange(len(score)), middles, usual), 0.0)
