"""Whether words are lost where a microphone is silent, and from when to when.

Sound that fades out and in again is silent for less long than it is lost, and nothing stands out
just beside the silence; the words on both sides of it tell.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from dualmic.hearing import Hearing
from dualmic.meters.continuity import HeldRun
from dualmic.tiles import CELLS_PER_S, Floats, Mask, power_db

# Our choices. Words lie on both sides of what is lost in their midst: they fill so much of so long
# before it and after it.
WORDS_CELLS, WORDS_SHARE = round(0.15 * CELLS_PER_S), 0.3
# What sound that was processed holds in the closure of a stop is shorter.
SHORTEST_S = 0.05
# A fade takes no longer than this and falls ever faster, where a voice that dies away falls ever
# slower. It is told from where half of it was left, if that stood well over the background.
FADE_CELLS, REST_DB = 10, 6.0


def between_words(words: Mask, start: int, end: int) -> bool:
    """Whether words lie before ``start`` and after ``end``; cells."""
    sides = words[max(start - WORDS_CELLS, 0) : start], words[end : end + WORDS_CELLS]
    return all(len(side) > 0 and bool(side.mean() >= WORDS_SHARE) for side in sides)


def silent_between_words(hearing: Hearing, mic: int, run: HeldRun) -> bool:
    """Whether a silence that nothing stands out beside is longer than a stop, and among words."""
    start, end = int(run.start_s * CELLS_PER_S), int(np.ceil(run.end_s * CELLS_PER_S))
    long = run.end_s - run.start_s >= SHORTEST_S
    return long and between_words(hearing.activity.own[mic], start, end)


def with_fades(runs: Sequence[HeldRun], power: Floats, least: float) -> list[HeldRun]:
    """Return lost stretches from where a fade began to where it ended.

    Args:
        runs: what is lost.
        power: of their microphone, ``(cells,)``.
        least: what stands out over its background.

    """
    dated = []
    for run in runs:
        start, end = int(run.start_s * CELLS_PER_S), int(np.ceil(run.end_s * CELLS_PER_S))
        before = _fade(power[max(start - 2 * FADE_CELLS, 0) : start][::-1], least)
        after = _fade(power[end : end + 2 * FADE_CELLS], least)
        start_s = (start - before) / CELLS_PER_S if before else run.start_s
        end_s = (end + after) / CELLS_PER_S if after else run.end_s
        dated.append(replace(run, start_s=start_s, end_s=end_s))
    return dated


def _fade(power: Floats, least: float) -> int:
    """Return how many cells a fade takes, of the powers next to a silence on; none if no fade."""
    if len(power) < 2 * FADE_CELLS:
        return 0
    loud = float(np.median(power[FADE_CELLS:]))
    rest = loud * 10 ** (-REST_DB / 10)
    if loud < least or power[0] >= rest:
        return 0
    cells = int(np.argmax(power >= rest))
    if not 1 < cells <= FADE_CELLS:
        return 0
    rises_db = np.diff(power_db(power[: cells + 1]))
    return cells if rises_db.min() > 0 and rises_db[0] == rises_db.max() else 0
