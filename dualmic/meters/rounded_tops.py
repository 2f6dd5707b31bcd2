"""Tops a limiter has rounded: the loudest moments pile up under one level, none of them flat.

The peaks of speech grow rarer towards its own loudest one. A limiter, or an input driven hot, lets
none pass its ceiling and bends those that would: many cells then peak within a fraction of a
decibel of one level, fewer just below it, and hardly any beyond. No gain mends that, but few ears
mind it: it is worth a note. Tops that are cut flat are clipping, see ``clipping.py``.
"""

import numpy as np

from dualmic.tiles import Floats, Mask

# Our choices, tuned on simulated scenes. Of 10 ms peaks, those within 0.4 dB of a level, against
# those of the next 0.8 dB: a voice has at most fifteen up there in a minute, or more below than
# there; behind a limiter there were 44 and more, and 1.8 times as many as below.
STEP_DB, NEAR_STEPS, BELOW_STEPS = 0.1, 4, 8
LEAST_CELLS, TIMES = 30, 1.5
BEYOND_SHARE = 0.25
LOWEST_CEILING_DBFS = -25.0
# A steady tone has its peak everywhere: of the cells within 20 dB of it no more may reach it.
STEADY_SHARE, STEADY_DB = 0.3, 20.0
_STEPS = 600


def rounded_tops(peak: Floats) -> tuple[Mask, float] | None:
    """Return the cells whose peaks pile up under one ceiling, and the ceiling in dBFS.

    Args:
        peak: largest absolute sample of each 10 ms of one channel, ``(cells,)``.

    """
    level_db = 20 * np.log10(np.maximum(peak, 1e-6))
    steps = np.round(-np.minimum(level_db, 0.0) / STEP_DB).astype(np.int64)
    total = np.concatenate([[0], np.cumsum(np.bincount(steps, minlength=_STEPS))])
    ceiling = np.arange(round(-LOWEST_CEILING_DBFS / STEP_DB))
    beyond = total[np.maximum(ceiling - NEAR_STEPS, 0)]
    near = total[ceiling + NEAR_STEPS] - beyond
    below = total[ceiling + NEAR_STEPS + BELOW_STEPS] - total[ceiling + NEAR_STEPS]
    loud = total[ceiling + round(STEADY_DB / STEP_DB)]
    piled = (
        (near >= LEAST_CELLS)
        & (near >= TIMES * below)
        & (beyond <= BEYOND_SHARE * near)
        & (near < STEADY_SHARE * loud)
    )
    if not piled.any():
        return None
    best = int(np.argmax(np.where(piled, near, 0)))
    ceiling_dbfs = -best * STEP_DB
    return steps < best + NEAR_STEPS, ceiling_dbfs
