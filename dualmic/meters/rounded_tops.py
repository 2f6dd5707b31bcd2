"""Tops a limiter has rounded: the loudest moments pile up under one level, none of them flat.

The peaks of speech grow rarer towards its own loudest one. A limiter, or an input driven hot, lets
none pass its ceiling and bends those that would: many cells then peak within a fraction of a
decibel of one level, fewer just below it, and hardly any beyond. No gain mends that, but few ears
mind it: it is worth a note. Tops that are cut flat are clipping, see ``clipping.py``.
"""

import numpy as np

from dualmic.meters.clipping import PILED_DB, peak_level_dbfs, piles
from dualmic.tiles import Floats, Mask

# Our choices, tuned on simulated scenes. Of 10 ms peaks, those within 0.4 dB of a level, against
# those of the next 0.8 dB: a voice has at most fifteen up there in a minute, or more below than
# there; behind a limiter there were 44 and more, and 1.8 times as many as below.
LEAST_CELLS, TIMES = 30, 1.5
LOWEST_CEILING_DBFS = -25.0


def rounded_tops(peak: Floats, is_float: bool = False) -> tuple[Mask, float] | None:
    """Return the cells whose peaks pile up under one ceiling, and the ceiling in dBFS.

    Args:
        peak: largest absolute sample of each 10 ms of one channel, ``(cells,)``.
        is_float: full scale is no ceiling; levels over it are as good as those under it.

    """
    level = peak_level_dbfs(peak)
    over_db = max(float(level.max(initial=0.0)), 0.0) if is_float else 0.0
    if over_db:
        level -= np.float32(over_db)
    near = piles(level, LEAST_CELLS, TIMES, LOWEST_CEILING_DBFS)
    if not near.any():
        return None
    best = int(np.argmax(near))
    steps = np.round(-10 * np.minimum(level, 0.0))
    return steps < best + round(10 * PILED_DB), over_db - best / 10
