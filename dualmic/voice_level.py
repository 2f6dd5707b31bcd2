"""How loud a wearer's own voice usually is, for what is held against it."""

import numpy as np

from dualmic.measure import Measured
from dualmic.meters.masks import middle
from dualmic.meters.noise import SILENCE_POWER
from dualmic.meters.spectrum import FRAMES_PER_S, frame_mask
from dualmic.meters.speech import Activity
from dualmic.stack import let_go
from dualmic.tiles import Floats, Mask, power_db

# Our choices: how far on either side a voice is heard to tell how loud it is just then, how often,
# and how much of it is needed.
AROUND_S, EVERY_S, LEAST_AROUND_S = 4.0, 2.0, 1.0


def voice_dbfs(measured: Measured, activity: Activity, dead: Mask, mic: int) -> float | None:
    """Return the usual level of the wearer's voice, None with less than a second of it."""
    audible, own = _heard(measured, activity, dead, mic)
    level = float(power_db(float(np.median(audible[own])))) if own.sum() >= FRAMES_PER_S else None
    let_go()
    return level


def loudness_around(
    measured: Measured, activity: Activity, dead: Mask, mic: int, usual_dbfs: float
) -> Floats:
    """Return the level of the wearer's voice at every :data:`EVERY_S`, at least the usual one."""
    audible, own = _heard(measured, activity, dead, mic)
    reach, step = (round(s * FRAMES_PER_S) for s in (AROUND_S, EVERY_S))
    levels = np.full(len(audible) // step + 2, usual_dbfs, np.float32)
    for k in range(len(levels)):
        near = slice(max(k * step - reach, 0), k * step + reach)
        voice = audible[near][own[near]]
        if len(voice) >= LEAST_AROUND_S * FRAMES_PER_S:
            levels[k] = max(float(power_db(float(middle(voice)))), usual_dbfs)
    let_go()
    return levels


def _heard(measured: Measured, activity: Activity, dead: Mask, mic: int) -> tuple[Floats, Mask]:
    """Return the audible power of each frame, and in which of them the wearer is heard."""
    audible = measured.spectra.audible[mic]
    own = frame_mask(activity.own[mic] & ~dead, len(audible)) & (audible > SILENCE_POWER)
    return audible, own
