"""When a gain jumped, by all that tells: the background of its microphone, and who sounds how.

A block speaks for before or after in two ways. Its microphone's background lies where it lay
before, or where it lies after; a voice may cover it, but no sound lies under it. And the
differences between the microphones, all bands of a block together, make a pattern that was there
before, or one that comes after, whoever speaks; the gain shifts the whole pattern. Where words
cover the background patterns tell, where a voice is heard that was never heard before backgrounds
do, so both are added up and the likeliest moment is taken.
"""

from dataclasses import dataclass, replace

import numpy as np

from dualmic.findings.base import BLOCKS_PER_S
from dualmic.findings.jump_sound import AGREE_DB
from dualmic.findings.jumps import Jump
from dualmic.findings.moments import says_later
from dualmic.findings.sums import LEAST_BLOCKS, SIDE
from dualmic.tiles import Mask, Powers

# All our choices, tuned on simulated scenes.
UNREST_DB = 2.0  # of a steady background in 50 ms, in the mean of its bands
MARGIN = 1 * BLOCKS_PER_S  # how far beyond the span that is known already
LEAST_PATTERNS = 20
# One voice's differences spread by about this in each band; an unknown one counts as this far off.
PATTERN_DB, PATTERN_FAR = 3.0, 4.0
RARE = 2e-3  # share of blocks with a pattern that was never heard before
CLEAREST, ALIKE_BLOCKS = 3.0, 2.0  # nepers that a block says at most; so many say the same
STAYS = 0.02  # nepers a block for leaving the moment where it was
LIKELY = 0.5  # nepers under the most likely moment's: what else it may be


@dataclass(frozen=True)
class Witnesses:
    """What tells when a gain jumped.

    ``blocks``: band levels of every 50 ms in dB, ``(2, blocks, bands)``, NaN where nothing is;
    ``apart_db``: the differences between the microphones, ``(blocks, bands)``, NaN where they say
    nothing; ``quiet``, ``talk`` and ``pause``: which blocks hold the background alone, anybody's
    speech, and lie in pauses, ``(blocks,)``.
    """

    blocks: Powers
    apart_db: Powers
    quiet: Mask
    talk: Mask
    pause: Mask


def at_its_moment(jump: Jump, told: Witnesses) -> Jump:
    """Return the jump at the moment that all blocks around it make the likeliest."""
    count = len(told.quiet)
    low = max(round(jump.span_s[0] * BLOCKS_PER_S) - MARGIN, 0)
    high = min(round(jump.span_s[1] * BLOCKS_PER_S) + MARGIN, count)
    later = _of_background(jump, told, low, high) + _of_patterns(jump, told, low, high)
    if not later.any():
        return jump
    total = np.concatenate([[0.0], np.cumsum(-later)])
    total -= STAYS * np.abs(low + np.arange(len(total)) - jump.at_s * BLOCKS_PER_S)
    likely = low + np.flatnonzero(total > total.max() - LIKELY)
    at = low + int(np.argmax(total))
    if at in (low, high):  # no step from the one to the other within reach
        return jump
    span = float(likely[0]) / BLOCKS_PER_S, float(likely[-1]) / BLOCKS_PER_S
    return replace(jump, at_s=at / BLOCKS_PER_S, span_s=span)


def _of_background(jump: Jump, told: Witnesses, low: int, high: int) -> Powers:
    """Return by how many nepers each block's background speaks for after the jump.

    Asked are the bands whose background moves as the gain does; in a place whose noise comes and
    goes they say less.
    """
    levels = told.blocks[jump.mic]
    sides = [
        levels[side][told.quiet[side] & np.isfinite(levels[side]).all(axis=1)]
        for side in (slice(max(low - SIDE, 0), low), slice(high, high + SIDE))
    ]
    known = [len(side) >= LEAST_BLOCKS for side in sides]
    if not any(known):
        return np.zeros(high - low)
    floors = [np.median(side, axis=0) if len(side) else np.zeros(0) for side in sides]
    before = floors[0] if known[0] else floors[1] - jump.by_db
    after = floors[1] if known[1] else before + jump.by_db
    follows = np.abs(after - before - jump.by_db) < AGREE_DB
    if not follows.any():
        return np.zeros(high - low)
    spread_db = np.max(
        [side.std(axis=0) for side, k in zip(sides, known, strict=True) if k], axis=0
    )
    unrest = max(float(spread_db[follows].mean()) / UNREST_DB, 1.0)
    before, after = (np.where(follows, floor, np.nan)[None] for floor in (before, after))
    part = slice(low, high)
    levels = told.blocks[jump.mic : jump.mic + 1, part]
    return says_later(levels, before, after, told.talk[part], told.pause[part]) / unrest**2


def _of_patterns(jump: Jump, told: Witnesses, low: int, high: int) -> Powers:
    """Return by how many nepers each block's pattern of differences speaks for after the jump.

    Patterns that were never heard before say nothing.
    """
    by = jump.by_db if jump.mic == 0 else -jump.by_db
    apart_db, reach = told.apart_db, np.arange(len(told.quiet))
    known: Mask = np.asarray(np.isfinite(apart_db).all(axis=1))
    before = apart_db[known & (reach < low) & (reach >= low - SIDE)]
    after = apart_db[known & (reach >= high) & (reach < high + SIDE)]
    if min(len(before), len(after)) < LEAST_PATTERNS:
        return np.zeros(high - low)
    usual = np.concatenate([before, after - by])
    part = apart_db[low:high]
    says = np.log(_near(part - by, usual) / _near(part, usual))
    says = np.where(known[low:high], np.clip(says, -CLEAREST, CLEAREST), 0.0)
    return np.asarray(says / ALIKE_BLOCKS)


def _near(patterns: Powers, usual: Powers) -> Powers:
    """Return how common each pattern of differences is among the usual ones."""
    apart = ((patterns[:, None] - usual[None]) / PATTERN_DB) ** 2
    apart = np.nan_to_num(apart, nan=PATTERN_FAR).sum(axis=2)
    return np.asarray(np.exp(-0.5 * apart).mean(axis=1) + RARE)
