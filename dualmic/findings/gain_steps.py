"""Gains that jump, where the background tells: one microphone's steps in every band alike.

A background that steps up or down by as much in every band of one microphone, and stays in the
other, has had its gain turned: its moment is known as well as the background is. If the voices
shift by as much against the other microphone, that proves it; if they stay, it was no gain.
"""

from dataclasses import replace

import numpy as np

from dualmic.findings.base import BLOCKS_PER_S, in_blocks
from dualmic.findings.floors import AT_EDGE, Step
from dualmic.findings.jump_dates import Witnesses, at_its_moment
from dualmic.findings.jump_sound import AGREE_DB, sound_classes
from dualmic.findings.jumps import BANDS, Jump, mostly_dead
from dualmic.findings.sums import SIDE, Sums
from dualmic.hearing import Hearing
from dualmic.tiles import Mask, Powers

# All our choices, tuned on simulated scenes.
LEAST_BANDS, LEAST_DB = 3, 3.5
SPREAD_DB = 2.0  # standard deviation between bands
MOVE_SHARE, MOST_MOVE = 0.5, 0.5  # of the largest step: a band moves; so many of the bands have to
STILL_SHARE, STILL_DB = 0.3, 1.5  # of the other microphone's change
NEAR_S = 1.0  # a jump told by the voices and one told by the background are one
ECHO_S = 5.0  # and a background that comes up bit by bit where voices cover it is of the same
MANY_BANDS, SAME_DB = 6, 1.4  # as a gain's do in noise that is not steady, a machine's never
VOICE_ERROR_DB = 2.5  # of a shift that tells something
ALONE_ERROR_DB = 2.5  # a voice by itself keeps its level to this over some seconds
BESIDE_S = 1.0  # on each side, in which speech begins or ends
SAME_SHARE = 0.5  # of what the voices shift by, at least, it is no background's step alone


def with_gain_steps(
    hearing: Hearing,
    jumps: list[Jump],
    steps: tuple[list[Step], list[Step]],
    blocks: Powers,
    quiet: Mask,
) -> list[Jump]:
    """Return the jumps at their moments, borne out by the background, and those it tells alone.

    Args:
        hearing: the take.
        jumps: what the differences between the microphones show.
        steps: of the background, see ``floors.py`` and ``quiet_steps.py``.
        blocks: band levels of every 50 ms in dB, ``(2, blocks, bands)``, NaN where nothing is.
        quiet: which blocks hold the background alone.

    """
    found = list(jumps)
    bands = blocks[:, :, BANDS]
    levels = bands.mean(axis=2)
    apart = levels[0] - levels[1]
    voices = [
        Sums(np.where(mask, apart, np.nan)) for mask in sound_classes(hearing, levels, quiet)[:2]
    ]
    compared = not mostly_dead(hearing)
    count = blocks.shape[1]
    talked: Mask = np.any(in_blocks(hearing.activity.own, count), axis=(0, 2))
    paused: Mask = np.all(in_blocks(hearing.activity.pause, count), axis=1)
    for step in steps[0] + steps[1]:
        gain = _gain_of(step)
        if gain is None:
            _of_one(hearing, step, levels, found)
            continue
        mic, by = gain
        span = step.first / BLOCKS_PER_S, step.last / BLOCKS_PER_S
        at_s = step.at / BLOCKS_PER_S
        near = [
            k
            for k, jump in enumerate(jumps)
            if is_near(jump, step, mic)
            and abs((jump.by_db if jump.mic == mic else -jump.by_db) - by) < _error_db(by)
        ]
        shift = _voices_shift(voices, step.at) * (1 if mic == 0 else -1)
        moved = compared and bool(len(shift)) and bool(np.abs(shift - by).min() < _error_db(by))
        stayed = bool(len(shift)) and bool(np.abs(shift).max() < SAME_SHARE * abs(by))
        if near:
            k = min(near, key=lambda k: abs(jumps[k].at_s - at_s))
            own = jumps[k].by_db if jumps[k].mic == mic else -jumps[k].by_db
            found[k] = replace(
                found[k],
                mic=mic,
                by_db=own,
                span_s=_both(found[k].span_s, span),
                # Whose it is has to be told alike by what both hear and by the background.
                sure=(jumps[k].sure or moved) and jumps[k].mic == mic,
            )
        elif not stayed and not any(
            abs(jump.at_s - at_s) < ECHO_S and jump.mic == mic and jump.by_db * by > 0
            for jump in found
        ):
            found.append(Jump(mic, at_s, by, span, moved))
    apart_db = blocks[0, :, 1:] - blocks[1, :, 1:]
    # Two voices at once make patterns of their own.
    talk = in_blocks(hearing.activity.own, count)
    apart_db[talk.any(axis=2).all(axis=0)] = np.nan
    told = Witnesses(blocks, apart_db, quiet, talked, paused)
    found = [at_its_moment(jump, told) for jump in found]
    found = [
        replace(jump, sure=jump.sure and not _opens_with_words(hearing, jump, levels))
        for jump in found
    ]
    return sorted(found, key=lambda jump: jump.at_s)


def is_near(jump: Jump, step: Step, mic: int) -> bool:
    """Whether a step may be a jump's; to one in nearly all bands an unsure moment yields."""
    reach_s = ECHO_S if surely_alike(step.by_db[mic]) and not jump.sure else NEAR_S
    return jump.span_s[0] - reach_s < step.at / BLOCKS_PER_S < jump.span_s[1] + reach_s


def _opens_with_words(hearing: Hearing, jump: Jump, levels: Powers) -> bool:
    """Whether a background may only be there while its wearer speaks: a gate opens, no gain jumps.

    So it may be where speech begins or ends at that moment, unless pauses show the jump as well.
    """
    at, count = round(jump.at_s * BLOCKS_PER_S), levels.shape[1]
    near = round(BESIDE_S * BLOCKS_PER_S)
    own: Mask = np.asarray(in_blocks(hearing.activity.own[jump.mic], count).any(axis=1))
    talk = [
        side.mean() if len(side) else 0.0
        for side in (own[max(at - near, 0) : at], own[at : at + near])
    ]
    if (talk[1] - talk[0]) * np.sign(jump.by_db) <= AT_EDGE:
        return False
    pause = in_blocks(hearing.activity.pause, count).all(axis=1)
    row = Sums(np.where(pause, levels[jump.mic], np.nan))
    shift = float(row.shift(np.array([at]), at - SIDE, at + SIDE)[0, 0])
    return not shift / jump.by_db > SAME_SHARE


def _both(one: tuple[float, float], other: tuple[float, float]) -> tuple[float, float]:
    """Return the span that holds both."""
    return min(one[0], other[0]), max(one[1], other[1])


def _error_db(by: float) -> float:
    return max(AGREE_DB, 0.35 * abs(by))


def _gain_of(step: Step) -> tuple[int, float] | None:
    """Return the microphone whose gain would make this step, and by how much; None for none."""
    for mic in (0, 1):
        by = alike(step.by_db[mic])
        there = step.by_db[1 - mic][np.isfinite(step.by_db[1 - mic])]
        if by is None or not len(there):
            continue
        if np.median(np.abs(there)) < max(STILL_DB, STILL_SHARE * abs(by)):
            return mic, by
    return None


def alike(by_db: Powers) -> float | None:
    """Return by how much all bands of a microphone step alike; None if they do not.

    Some may stay where they are: what an input adds behind its gain, as a hum or a converter's own
    noise.
    """
    here = by_db[np.isfinite(by_db)]
    if len(here) < LEAST_BANDS:
        return None
    move = np.abs(here) > MOVE_SHARE * np.abs(here).max()
    if move.sum() < LEAST_BANDS or move.mean() < MOST_MOVE:
        return None
    by = float(np.median(here[move]))
    return by if abs(by) >= LEAST_DB and np.std(here[move]) < SPREAD_DB else None


def surely_alike(by_db: Powers) -> bool:
    """Whether nearly all bands step by the same: no machine sounds just as all did before."""
    here = by_db[np.isfinite(by_db)]
    return len(here) >= MANY_BANDS and bool(np.std(here) < SAME_DB)


def _of_one(hearing: Hearing, step: Step, levels: Powers, found: list[Jump]) -> None:
    """Widen where a jump of the one microphone that works is looked for, or add one.

    It is added if a voice shifts as the background does, or all of the background alike, which is
    no proof: the voice may have been raised as a machine started.
    """
    around = slice(max(step.at - BLOCKS_PER_S, 0), step.at + BLOCKS_PER_S)
    single: Mask = np.asarray(in_blocks(hearing.activity.single, levels.shape[1]).all(axis=2))
    at_s, span = step.at / BLOCKS_PER_S, (step.first / BLOCKS_PER_S, step.last / BLOCKS_PER_S)
    for mic in (0, 1):
        by = alike(step.by_db[mic])
        if by is None or np.isfinite(levels[1 - mic, around]).any():
            continue
        same = [
            k
            for k, jump in enumerate(found)
            if jump.mic == mic
            and abs(jump.by_db - by) < _error_db(by)
            and jump.span_s[0] - NEAR_S < at_s < jump.span_s[1] + NEAR_S
        ]
        if same:
            k = same[0]
            found[k] = replace(found[k], span_s=_both(found[k].span_s, span))
            return
        voices = [Sums(np.where(mask, levels[mic], np.nan)) for mask in single]
        shift = _voices_shift(voices, step.at)
        agrees = bool(len(shift)) and bool(np.abs(shift - by).min() < ALONE_ERROR_DB)
        agrees |= surely_alike(step.by_db[mic])
        if agrees and not any(abs(jump.at_s - at_s) < ECHO_S for jump in found):
            found.append(Jump(mic, at_s, by, span, sure=False))


def _voices_shift(voices: list[Sums], at: int) -> Powers:
    """Return by how much each voice's level difference between the microphones shifts there."""
    moment = np.array([at])
    told = np.array([row.shift(moment, at - SIDE, at + SIDE)[:, 0] for row in voices])
    return told[told[:, 1] < VOICE_ERROR_DB, 0]
