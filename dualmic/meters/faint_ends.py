"""How what is lost begins and ends: by how much and how fast the level falls and comes back.

Levels are kept as steps under full scale, one for every millisecond, each over ``WINDOW_MS``.
"""

from typing import NamedTuple

import numpy as np

from dualmic.meters.masks import middle

WINDOW_MS = 5
STEP_DB = 1.2  # seven bits hold 152 dB
SILENT = 127
ROUGH = 128  # the eighth bit
# Between two swings of a low rumble it is quiet for some milliseconds, too: there, the fall has to
# be one from speech.
SHORT_MS, SHORT_EDGE_DB = 15, 22.0
# Of 28 mutes the level jumped by 0.7 of the way and more, as it does where a link takes 3 ms to go;
# of 40 stops in words and flickers of gates four did, no more than 0.55 most. A codec smears it.
# Torn from between the pulses of a loud vowel, it jumps by less of the way, but far at both ends.
JUMP_MS, JUMP_WITHIN_MS, FAR_DB = 2, 7, 23.0
JUMP_SHARE, SMEARED_JUMP_SHARE = 0.65, 0.5
TORN_EDGE_DB, TORN_SHARE, TORN_JUMP_DB = 22.0, 0.4, 17.5
# What falls still further and faster need not come back in the middle of a loud word: of 250 takes
# in which nothing of the kind was lost no pause began and ended so. A coder may smear one end.
CUT_OFF, THEN_BACK = (30.0, 0.5, 24.0), (18.0, 0.4, 12.0)
# Our choices: what need not come back at once has to lie so far under the background, from sound so
# far over it.
DEEP_DB, DEEP_PERCENTILE, LOUD_DB = 15.0, 90.0, 10.0
BESIDE_MS = 12


class _End(NamedTuple):
    """How the level falls at an end of a stretch, in steps of the level.

    ``falls``: to the first windows inside; ``way``: to all of them; ``jumps``: within two windows.
    """

    falls: float
    way: float
    jumps: float


def _ends(kept: np.ndarray, run: tuple[int, int], smear_ms: int) -> tuple[_End, _End]:
    """Return how the level falls where these windows begin and, backwards, where they end.

    ``smear_ms``: or had fallen no longer before than this.
    """
    start, end = run
    inside = kept[start:end] % ROUGH
    falling = kept[max(start - JUMP_WITHIN_MS - smear_ms, 0) : start + JUMP_WITHIN_MS]
    rising = kept[end - JUMP_WITHIN_MS : end + JUMP_WITHIN_MS + smear_ms][::-1]
    level = float(middle(inside))
    loud, loud_after = _loud_before(kept, start, smear_ms), _loud_after(kept, end, smear_ms)
    falls = float(middle(inside[:WINDOW_MS])) - loud
    comes_back = float(middle(inside[-WINDOW_MS:])) - loud_after
    return (
        _End(falls, level - loud, _jump(falling)),
        _End(comes_back, level - loud_after, _jump(rising)),
    )


def _loud_before(kept: np.ndarray, start: int, smear_ms: int) -> float:
    before = kept[max(start - WINDOW_MS - BESIDE_MS, 0) :][: BESIDE_MS + 1] % ROUGH
    earlier = kept[max(start - WINDOW_MS - BESIDE_MS - smear_ms, 0) :][: BESIDE_MS + 1] % ROUGH
    return min(float(middle(before)), float(middle(earlier)))


def _loud_after(kept: np.ndarray, end: int, smear_ms: int) -> float:
    first = end + WINDOW_MS - 1
    after = kept[first:][: BESIDE_MS + 1] % ROUGH
    later = kept[first + smear_ms :][: BESIDE_MS + 1] % ROUGH
    return min(float(middle(after)), float(middle(later)) if len(later) else float(SILENT))


def is_steep(kept: np.ndarray, run: tuple[int, int], edge_db: float, smear_ms: int = 0) -> bool:
    """Whether the level falls at once where these windows begin and comes back as they end.

    What is switched off and on jumps most of the way within two windows; words, gates and gains
    take ten milliseconds.
    """
    ends = _ends(kept, run, smear_ms)
    is_short = run[1] - run[0] + WINDOW_MS - 1 < SHORT_MS
    if min(end.falls for end in ends) * STEP_DB < (SHORT_EDGE_DB if is_short else edge_db):
        return False
    share = SMEARED_JUMP_SHARE if smear_ms else JUMP_SHARE
    far = min(end.jumps for end in ends) * STEP_DB >= FAR_DB
    return far or sum(end.jumps for end in ends) >= share * sum(end.way for end in ends)


def is_torn(kept: np.ndarray, run: tuple[int, int], smear_ms: int) -> bool:
    """Whether the level falls by more, and as fast, at either end than any room lets it."""
    first, last = _ends(kept, run, smear_ms)
    if all(_tears(end, TORN_EDGE_DB, TORN_SHARE, TORN_JUMP_DB) for end in (first, last)):
        return True
    if smear_ms and any(_tears(end, *CUT_OFF) for end in (first, last)):
        return min(first.falls, last.falls) * STEP_DB >= TORN_EDGE_DB
    return _tears(first, *CUT_OFF) and _tears(last, *THEN_BACK)


def is_cut_off(kept: np.ndarray, run: tuple[int, int], background: float, smear_ms: int) -> bool:
    """Whether loud sound falls at once, where these windows begin, to far under ``background``.

    A gate lets the room be heard before it shuts, and no word ends so. A coder may have smeared the
    fall over a frame: all of it counts, which no room lets happen so fast either.
    """
    start, end = run
    if end - start < SHORT_MS:
        return False
    inside = kept[start:end] % ROUGH
    far = float(np.percentile(inside, 100 - DEEP_PERCENTILE)) >= background + DEEP_DB / STEP_DB
    if not far or _loud_before(kept, start, smear_ms) > background - LOUD_DB / STEP_DB:
        return False
    first, _ = _ends(kept, run, smear_ms)
    return first.falls * STEP_DB >= CUT_OFF[0] if smear_ms else _tears(first, *CUT_OFF)


def _tears(end: _End, least_db: float, share: float, jump_db: float) -> bool:
    """Whether the level falls by so much there, and so much or such a share of it at once."""
    jumps_enough = end.jumps >= max(share * end.falls, jump_db / STEP_DB)
    return end.falls * STEP_DB >= least_db and jumps_enough


def _jump(kept: np.ndarray) -> float:
    """Return by how much the level falls within :data:`JUMP_MS` at most, in steps."""
    steps = kept.astype(np.int16) % ROUGH
    return float((steps[JUMP_MS:] - steps[:-JUMP_MS]).max())
