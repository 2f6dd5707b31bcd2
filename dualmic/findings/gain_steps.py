"""Gains that jump, by what the background of one microphone tells and by what voices do.

Where all of a microphone's background rises or falls at once (``gain_scan.py``), its moment is
known as well as the background is. If the voices shift by as much against the other microphone,
that proves it; if they stay, it was no gain.
"""

from dataclasses import replace

import numpy as np

from dualmic.findings.base import BLOCKS_PER_S, in_blocks
from dualmic.findings.floors import AT_EDGE
from dualmic.findings.gain_scan import GainRise
from dualmic.findings.jump_dates import Witnesses, at_its_moment
from dualmic.findings.jump_sound import AGREE_DB, sound_classes, voice_rows
from dualmic.findings.jumps import BANDS, Jump, mostly_dead
from dualmic.findings.sums import SIDE, BandSums, Sums
from dualmic.hearing import Hearing
from dualmic.tiles import Mask, Powers

# All our choices, tuned on simulated scenes.
NEAR_S = 1.0  # a jump told by the voices and one told by the background are one
DATED_S = 0.2  # where both say the same of its moment, nothing else is asked
ECHO_S = 5.0  # and a background that comes up bit by bit where voices cover it is of the same
# By which a background tells whose gain it was, else what both hear tells; and by which it is sure
# even where that says otherwise.
WHOSE_NEPERS, SURELY_WHOSE_NEPERS = 3.0, 15.0
SURE_SHARE, SURE_NEPERS = 0.9, 20.0  # of a rise to which a jump that is unsure yields
ALIKE_SHARE = 0.7  # of a rise that is no machine beside one microphone
VOICE_ERROR_DB = 2.5  # of a shift that tells something
BESIDE_S = 1.0  # on each side, in which speech begins or ends
SAME_SHARE = 0.5  # of what the voices shift by, at least, it is no background's step alone


def with_gain_rises(
    hearing: Hearing, jumps: list[Jump], rises: list[GainRise], blocks: Powers, quiet: Mask
) -> list[Jump]:
    """Return the jumps at their moments, borne out by the background, and those it tells alone.

    Args:
        hearing: the take.
        jumps: what the differences between the microphones show.
        rises: of a microphone's background.
        blocks: band levels of every 50 ms in dB, ``(2, blocks, bands)``, NaN where nothing is.
        quiet: which blocks hold the background alone.

    """
    bands = blocks[:, :, BANDS]
    levels = bands.mean(axis=2)
    voices = voice_rows(bands, sound_classes(hearing, levels, quiet))
    compared = not mostly_dead(hearing)
    count = blocks.shape[1]
    found, dated = list(jumps), set[int]()
    for rise in rises:
        mic, by = rise.mic, rise.by_db
        at_s = rise.at / BLOCKS_PER_S
        near = [k for k, jump in enumerate(jumps) if is_near(jump, rise)]
        others = [jump.at_s for k, jump in enumerate(jumps) if k not in near]
        others += [other.at / BLOCKS_PER_S for other in rises if other is not rise]
        shift = _voices_shift(voices, rise.at, _between(others, at_s, count))
        off_db = np.abs(shift * (1 if mic == 0 else -1) - by)
        moved = compared and bool(len(shift)) and bool(off_db.min() < _error_db(by))
        stayed = bool(len(shift)) and bool(np.abs(shift).max() < SAME_SHARE * abs(by))
        if near:
            k = min(near, key=lambda k: abs(jumps[k].at_s - at_s))
            found[k] = _borne_out(jumps[k], rise, moved=moved)
            if _is_dated(jumps[k], rise):
                dated.add(k)
        elif not stayed and not any(
            abs(jump.at_s - at_s) < ECHO_S and jump.mic == mic and jump.by_db * by > 0
            for jump in found
        ):
            found.append(Jump(mic, at_s, by, _span_s(rise), moved, rise.share >= ALIKE_SHARE))
    apart_db = blocks[0, :, 1:] - blocks[1, :, 1:]
    # Two voices at once make patterns of their own.
    talk = in_blocks(hearing.activity.own, count)
    apart_db[talk.any(axis=2).all(axis=0)] = np.nan
    talked: Mask = np.any(talk, axis=(0, 2))
    paused: Mask = np.all(in_blocks(hearing.activity.pause, count), axis=1)
    told = Witnesses(blocks, apart_db, quiet, talked, paused)
    found = [jump if k in dated else at_its_moment(jump, told) for k, jump in enumerate(found)]
    found = [
        replace(jump, sure=jump.sure and not _opens_with_words(hearing, jump, levels))
        for jump in found
    ]
    return sorted(found, key=lambda jump: jump.at_s)


def is_near(jump: Jump, rise: GainRise) -> bool:
    """Whether a rise may be a jump's; to one that is plain an unsure moment yields."""
    own = jump.by_db if jump.mic == rise.mic else -jump.by_db
    if abs(own - rise.by_db) >= _error_db(rise.by_db):
        return False
    plain = rise.share >= SURE_SHARE and rise.nepers >= SURE_NEPERS
    yields = plain and not jump.sure and jump.mic == rise.mic
    reach_s = ECHO_S if yields else NEAR_S
    return jump.span_s[0] - reach_s < rise.at / BLOCKS_PER_S < jump.span_s[1] + reach_s


def _is_dated(jump: Jump, rise: GainRise) -> bool:
    """Whether a jump and its rise say the same of the moment."""
    return abs(jump.at_s - rise.at / BLOCKS_PER_S) <= DATED_S


def _borne_out(jump: Jump, rise: GainRise, *, moved: bool) -> Jump:
    """Return a jump as the background has it; ``moved``: a voice shifts by as much.

    To be sure, whose it is has to be told alike by what both hear and by the background, or by
    that so plainly that it is enough.
    """
    mic = rise.mic if rise.plainly >= WHOSE_NEPERS else jump.mic
    by_db = jump.by_db if jump.mic == mic else -jump.by_db
    agree = jump.mic == mic or rise.plainly >= SURELY_WHOSE_NEPERS
    sure = (jump.sure or moved) and agree
    at_s, span_s = jump.at_s, jump.span_s
    if _is_dated(jump, rise):
        at_s = (at_s + rise.at / BLOCKS_PER_S) / 2
        span_s = at_s, at_s
    else:
        first_s, last_s = _span_s(rise)
        span_s = min(first_s, span_s[0]), max(last_s, span_s[1])
    return replace(jump, mic=mic, by_db=by_db, sure=sure, at_s=at_s, span_s=span_s)


def _span_s(rise: GainRise) -> tuple[float, float]:
    return rise.first / BLOCKS_PER_S, rise.last / BLOCKS_PER_S


def _between(others_s: list[float], at_s: float, count: int) -> tuple[int, int]:
    """Return the blocks of the jumps just before and after a moment.

    What those do to voices is none of what happens there.
    """
    before = [round(other * BLOCKS_PER_S) for other in others_s if other <= at_s]
    after = [round(other * BLOCKS_PER_S) for other in others_s if other > at_s]
    return max(before, default=0), min(after, default=count)


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


def _error_db(by: float) -> float:
    return max(AGREE_DB, 0.35 * abs(by))


def _voices_shift(voices: list[BandSums], at: int, ends: tuple[int, int]) -> Powers:
    """Return by how much each voice's level difference between the microphones shifts there.

    ``ends``: blocks before and after which nothing is compared.
    """
    first, end = max(ends[0], at - SIDE), min(ends[1], at + SIDE)
    told = np.array([row.shift(np.array([at]), first, end)[:, 0] for row in voices])
    return told[told[:, 1] < VOICE_ERROR_DB, 0]
