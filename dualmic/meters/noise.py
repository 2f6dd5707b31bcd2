"""Noise floor: what a microphone holds in pauses, and how far its wearer's speech stands above.

The floor is the power mean over 100 ms frames that lie wholly inside pauses (from 0.3 s after to
0.1 s before speech), DC removed, 20 Hz to 20 kHz and A-weighted. At least 2 s of pauses are needed.
Speech-to-noise compares the wearer's own speech, the noise's power removed, with that floor, both
A-weighted.

References:
    IEC 61672-1:2013 (A-weighting).

"""

from dataclasses import dataclass

import numpy as np

from dualmic.meters.spectrum import FRAMES_PER_S
from dualmic.tiles import Floats, Mask, power_db

LEAST_S = 2.0
SILENCE_POWER = 1e-14  # -140 dBFS: digital silence, not a background


@dataclass(frozen=True)
class NoiseFloor:
    """Noise of one microphone: RMS re full scale, unweighted and A-weighted, and its spread."""

    dbfs: float
    dba: float
    p10_dbfs: float
    p90_dbfs: float
    measured_s: float


def noise_floor(audible: Floats, a_weighted: Floats, pause_frames: Mask) -> NoiseFloor | None:
    """Measure the floor of one channel; None with less than 2 s of live pauses.

    Args:
        audible: power of each 100 ms frame (one every 50 ms), 20 Hz to 20 kHz.
        a_weighted: the same, A-weighted.
        pause_frames: which frames lie wholly inside pauses.

    """
    used = pause_frames[: len(audible)] & (audible > SILENCE_POWER)
    if used.sum() < LEAST_S * FRAMES_PER_S:
        return None
    low, high = np.percentile(power_db(audible[used]), [10, 90])
    return NoiseFloor(
        dbfs=float(power_db(audible[used].mean(dtype=np.float64))),
        dba=float(power_db(a_weighted[used].mean(dtype=np.float64))),
        p10_dbfs=float(low),
        p90_dbfs=float(high),
        measured_s=float(used.sum()) / FRAMES_PER_S,
    )


def speech_to_noise_db(
    a_weighted: Floats, own_frames: Mask, floor: NoiseFloor | None
) -> float | None:
    """Return how far the wearer's speech stands above the floor; None if either is missing."""
    used = own_frames[: len(a_weighted)]
    if floor is None or not used.any():
        return None
    noise = 10 ** (floor.dba / 10)
    speech = float(a_weighted[used].mean(dtype=np.float64)) - noise
    if speech <= 0:
        return 0.0
    return float(power_db(speech / noise))
