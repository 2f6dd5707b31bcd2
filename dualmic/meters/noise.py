"""Noise floor: what a microphone holds in pauses, and how far its wearer's speech stands above.

The floor is the power mean over 100 ms frames that lie wholly inside pauses (from 0.3 s after to
0.1 s before speech), DC removed, 20 Hz to 20 kHz and A-weighted. At least 2 s of pauses are needed.
A sound that is over within a second and stands far out of the pauses, as the clap of a slate, a
cough or a word taken for a pause, is no background and left out.

Speech-to-noise compares the wearer's own speech, the noise's power removed, with that floor, both
A-weighted.

References:
    IEC 61672-1:2013 (A-weighting).

"""

from dataclasses import dataclass

import numpy as np

from dualmic.meters.masks import holding, mask_of, runs_of
from dualmic.meters.spectrum import FRAMES_PER_S
from dualmic.tiles import Floats, Mask, power_db

LEAST_S = 2.0
SILENCE_POWER = 1e-14  # -140 dBFS: digital silence, not a background
# Our choices: a voice among others outside, or what passes on a road, hardly stands so far out of
# the pauses' median; a clap does, and its echo until it has come down to the lower figure.
BURST_DB, ECHO_DB = 15.0, 6.0
LONGEST_BURST_S = 1.0
# Of the pauses, in which all bursts may lie that fill a pause of their own: a background that came
# and stayed fills more.
FEW = 0.1


@dataclass(frozen=True)
class NoiseFloor:
    """Noise of one microphone: RMS re full scale, unweighted and A-weighted, and its spread."""

    dbfs: float
    dba: float
    p10_dbfs: float
    p90_dbfs: float
    measured_s: float


def noise_floor(
    audible: Floats, a_weighted: Floats, pause_frames: Mask, least_s: float = LEAST_S
) -> NoiseFloor | None:
    """Measure the floor of one channel; None with less than ``least_s`` of live pauses.

    Args:
        audible: power of each 100 ms frame (one every 50 ms), 20 Hz to 20 kHz.
        a_weighted: the same, A-weighted.
        pause_frames: which frames lie wholly inside pauses.

    """
    used = pause_frames[: len(audible)] & (audible > SILENCE_POWER)
    used &= ~(_bursts(audible, used) | _bursts(a_weighted, used))
    if used.sum() < least_s * FRAMES_PER_S:
        return None
    low, high = np.percentile(power_db(audible[used]), [10, 90])
    return NoiseFloor(
        dbfs=float(power_db(audible[used].mean(dtype=np.float64))),
        dba=float(power_db(a_weighted[used].mean(dtype=np.float64))),
        p10_dbfs=float(low),
        p90_dbfs=float(high),
        measured_s=float(used.sum()) / FRAMES_PER_S,
    )


def _bursts(power: Floats, pause: Mask) -> Mask:
    """Return the frames of short loud sounds in pauses."""
    if not pause.any():
        return pause
    usual = np.median(power[pause])
    loud = pause & (power > usual * 10 ** (BURST_DB / 10))
    starts, ends = runs_of(holding(pause & (power > usual * 10 ** (ECHO_DB / 10)), loud))
    short = ends - starts <= LONGEST_BURST_S * FRAMES_PER_S
    starts, ends = starts[short], ends[short]
    if (ends - starts).sum() > FEW * pause.sum():
        quiet = np.pad(pause, 1, constant_values=True)
        inside = quiet[starts] & quiet[ends + 1]
        starts, ends = starts[inside], ends[inside]
    return mask_of(starts, ends, len(power))


def speech_to_noise_db(
    a_weighted: Floats, own_frames: Mask, floor: NoiseFloor | None
) -> float | None:
    """Return how far the wearer's speech stands above the floor; None if either is missing.

    Pauses between words are no speech, also those that a turn bridges.
    Of less than two seconds of words nothing is said: a swell of that very noise may pass for them.
    """
    used = own_frames[: len(a_weighted)]
    if floor is None or used.sum() < LEAST_S * FRAMES_PER_S:
        return None
    noise = 10 ** (floor.dba / 10)
    speech = float(a_weighted[used].mean(dtype=np.float64)) - noise
    if speech <= 0:
        return 0.0
    return float(power_db(speech / noise))
