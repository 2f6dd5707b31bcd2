"""Whether a background changes at once, as a machine starts or stops, or slowly, as a lorry passes.

Both are held against the levels around, as in ``moments.py``: a step, at whatever moment it fits
best, and ramps, in decibels, of some lengths. Words may cover the change; each block of each band
counts for as much as it says.
"""

import numpy as np

from dualmic.findings.base import BLOCKS_PER_S
from dualmic.findings.moments import ALIKE_BANDS, FREE, LEAST_DB, density, kind_of
from dualmic.tiles import Mask, Powers

# All our choices, tuned on simulated scenes.
AROUND_S = 4.0  # of sound on either side
STEPS_S = 1.0  # how far from where it was told the best step may lie
RAMPS_S = (1.5, 2.5, 4.0)  # how long it takes for all of a slow change
RAMP_REACH_S, RAMP_EVERY_S = 2.0, 0.2  # where the middles of the ramps lie


def at_once(
    blocks: Powers, before: Powers, after: Powers, at: int, masks: tuple[Mask, Mask]
) -> Powers:
    """Return how much likelier a step is than any ramp in each microphone, ``(2,)``, in nepers.

    NaN where no band of a microphone changes by enough to be asked.

    Args:
        blocks: band levels of every 50 ms in dB, ``(2, blocks, bands)``, NaN where nothing is.
        before: the background before in each band, ``(2, bands)``, NaN where it is not known.
        after: the background after.
        at: the block at which it was told to change.
        masks: which blocks hold anybody's speech, and which lie in pauses, ``(blocks,)`` each.

    """
    reach = round(AROUND_S * BLOCKS_PER_S)
    part = slice(max(at - reach, 0), at + reach)
    levels = blocks[:, part]
    free = FREE[kind_of(*(mask[part] for mask in masks))]
    middle = np.arange(part.start, part.start + levels.shape[1]) + 0.5 - at
    steps = _steps(middle)
    courses = np.concatenate([steps, *(_ramps(middle, each) for each in RAMPS_S)])
    with np.errstate(invalid="ignore"):
        asked = np.abs(after - before) >= LEAST_DB
    found = np.full(2, np.nan)
    for mic in np.flatnonzero(asked.any(axis=1)):
        likely = np.zeros(len(courses))
        for band in np.flatnonzero(asked[mic]):
            first, by = before[mic, band], after[mic, band] - before[mic, band]
            over = levels[mic, :, band] - first - by * courses
            says = np.log(density(over, np.full(len(courses), band), free))
            likely += np.nan_to_num(says).sum(axis=1)
        found[mic] = (likely[: len(steps)].max() - likely[len(steps) :].max()) / ALIKE_BANDS
    return found


def _steps(middle: Powers) -> Powers:
    """Return the courses of changes at once, from 0 to 1, ``(moments, blocks)``."""
    reach = round(STEPS_S * BLOCKS_PER_S)
    return (middle > np.arange(-reach, reach + 1)[:, None]).astype(float)


def _ramps(middle: Powers, length_s: float) -> Powers:
    """Return the courses of slow changes, ``(moments, blocks)``."""
    reach, every = round(RAMP_REACH_S * BLOCKS_PER_S), round(RAMP_EVERY_S * BLOCKS_PER_S)
    centres = np.arange(-reach, reach + 1, every)[:, None]
    return np.clip((middle - centres) / (length_s * BLOCKS_PER_S) + 0.5, 0.0, 1.0)
