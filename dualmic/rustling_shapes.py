"""What shape in time a stretch of cloth has: it neither only dies away nor keeps its level."""

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from dualmic.meters.masks import mask_of, runs_of
from dualmic.tiles import Mask, Powers, power_db

# Our choices, tuned on simulated scenes.
# What a voice leaves in the room, or a gate lets fade, lasts longer in one microphone than in the
# other. It only dies away, by the mean of its bands falling far and never rising by 3 dB again. Of
# 143 stretches of cloth, many of them under words, one in a hundred rises less, and none falls.
LEAST_RISE_DB, LEAST_FALL_DB, BEFORE_CELLS = 3.0, 10.0, 16
# A background that a gain lifts keeps its level: averaged over a tenth of a second it moves, within
# a quarter of a second, by 0.2 to 0.4 dB. Of fifty stretches of cloth one moved by less than 0.9.
EVEN_DB, EVEN_CELLS = 0.45, 25
# Each end of a run lies half the averaging outside the sound.
SMEAR_CELLS = 6


def without_tails(held: Mask, own: Powers) -> Mask:
    """Take back the stretches in which a microphone's sound only dies away."""
    starts, ends = runs_of(held)
    kept = [
        not _dies_away(own[:, max(start - BEFORE_CELLS, 0) : max(end - SMEAR_CELLS, start + 1)])
        for start, end in zip(starts, ends, strict=True)
    ]
    return mask_of(starts[kept], ends[kept], len(held))


def even(held: Mask, own: Powers) -> Mask:
    """Where in the stretches a microphone's sound keeps its level for most of the time."""
    starts, ends = runs_of(held)
    keeps = []
    for first, last in zip(starts + SMEAR_CELLS, ends - SMEAR_CELLS, strict=True):
        level_db = power_db(own[:, first:last]).mean(axis=0)
        enough = len(level_db) >= EVEN_CELLS
        moves = sliding_window_view(level_db, EVEN_CELLS).std(axis=1) if enough else np.inf
        keeps.append(bool(np.median(moves) < EVEN_DB))
    return mask_of(starts[keeps], ends[keeps], len(held))


def _dies_away(powers: Powers) -> bool:
    level_db = power_db(powers).mean(axis=0)
    rise_db = (level_db - np.minimum.accumulate(level_db)).max()
    return bool(rise_db < LEAST_RISE_DB and level_db[0] - level_db[-1] > LEAST_FALL_DB)
