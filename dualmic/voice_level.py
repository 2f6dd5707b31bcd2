"""How loud a wearer's own voice usually is, for what is held against it."""

import numpy as np

from dualmic.measure import Measured
from dualmic.meters.noise import SILENCE_POWER
from dualmic.meters.spectrum import FRAMES_PER_S, frame_mask
from dualmic.meters.speech import Activity
from dualmic.stack import let_go
from dualmic.tiles import Mask, power_db


def voice_dbfs(measured: Measured, activity: Activity, dead: Mask, mic: int) -> float | None:
    """Return the usual level of the wearer's voice, None with less than a second of it."""
    audible = measured.spectra.audible[mic]
    own = frame_mask(activity.own[mic] & ~dead, len(audible)) & (audible > SILENCE_POWER)
    level = float(power_db(np.median(audible[own]))) if own.sum() >= FRAMES_PER_S else None
    let_go()
    return level
