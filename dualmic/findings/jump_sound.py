"""What jumps of gain are looked for in: levels by class of sound, and by how much each shifts."""

import numpy as np

from dualmic.findings.base import in_blocks
from dualmic.findings.sums import Sums
from dualmic.hearing import Hearing
from dualmic.tiles import Mask, Powers

# All our choices, tuned on simulated scenes.
AGREE_DB = 3.0
ONE_VOICE_LEAST_DB = 4.5  # by so much, if evenly in all bands, no one's voice shifts but seldom
OVER_FLOOR_DB = 8.0  # a voice has to stand over the background in both microphones


class Sound:
    """What jumps are looked for in: a row of dB for each block, by band and class of sound.

    That row is the difference of both microphones, or the level of the one that is alone.
    """

    def __init__(self, levels: Powers, classes: list[Mask], alone: int | None) -> None:
        self.levels, self.alone = levels, alone
        bands = levels[0] - levels[1] if alone is None else levels[alone]
        self.mean = bands.mean(axis=1)
        self.classes = classes
        self.sums = [Sums(np.where(mask, self.mean, np.nan)) for mask in classes]
        self.bands = [Sums(np.where(classes[2], row, np.nan)) for row in bands.T]
        self.quiet = [Sums(np.where(classes[2], row.mean(axis=1), np.nan)) for row in levels]

    def borne_out(self, at: np.ndarray, first: int, end: int) -> Powers:
        """Return how much of all classes' variance a step at each moment explains."""
        return np.sum([row.borne_out(at, first, end) for row in self.sums], axis=0)


def shift_of(sound: Sound, at: np.ndarray, first: int, end: int) -> tuple[Powers, Powers, Powers]:
    """Return by how much all sounds shift (pauses first, else voices), and each class's shift."""
    shift, error = np.stack([row.shift(at, first, end) for row in sound.sums], axis=1)
    weight = np.where(np.isfinite(shift), 1 / error**2, 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = (weight * np.nan_to_num(shift)).sum(axis=0) / weight.sum(axis=0)
    both = np.isfinite(shift[:2]).all(axis=0) & (np.abs(shift[0] - shift[1]) < AGREE_DB)
    by = np.where(np.isfinite(shift[2]), shift[2], np.where(both, mean, 0.0))
    # One voice alone may have turned round.
    one = np.isfinite(shift).sum(axis=0) == 1
    told = one & (np.nanmax(np.abs(np.nan_to_num(shift[:2])), axis=0) >= ONE_VOICE_LEAST_DB)
    by = np.where(told, np.nansum(shift[:2], axis=0), by)
    return by, shift, error


def sound_classes(hearing: Hearing, levels: Powers, quiet: Mask) -> list[Mask]:
    """Return which blocks hold the first voice alone, the second alone, nobody."""
    count = levels.shape[1]
    floor = np.array([np.nanpercentile(row, 10) if np.isfinite(row).any() else 0 for row in levels])
    with np.errstate(invalid="ignore"):
        clear = (levels > (floor + OVER_FLOOR_DB)[:, None]).all(axis=0)
    live = np.isfinite(levels).all(axis=0)
    single = in_blocks(hearing.activity.single, count)
    return [single[0].all(axis=1) & clear, single[1].all(axis=1) & clear, quiet & live]
