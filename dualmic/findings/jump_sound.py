"""What jumps of gain are looked for in: levels by class of sound, and by how much each shifts."""

import numpy as np

from dualmic.findings.base import BLOCKS_PER_S, in_blocks
from dualmic.findings.sums import SIDE, BandSums, Sums
from dualmic.hearing import Hearing
from dualmic.tiles import Mask, Powers

# All our choices, tuned on simulated scenes.
AGREE_DB = 3.0
ONE_VOICE_LEAST_DB = 4.5  # by so much, if evenly in all bands, no one's voice shifts but seldom
VOICE_SURE_DB, PART_DB = 1.8, 1.0  # of what a voice shifts by; what the background has to follow by
# Between its bands, where a part of it follows: a share of what it changes by.
UNEVEN_SHARE, LEAST_UNEVEN_DB, UNEVEN_DB = 0.4, 0.5, 1.0
# A voice has to stand over the background in both microphones: in all bands together, and in each
# by less over the lowest of the seconds before and of those after, whichever is higher.
OVER_FLOOR_DB, BAND_OVER_DB = 8.0, 6.0
LOWEST_PERCENTILE, LEAST_LOWEST = 5, 1 * BLOCKS_PER_S
FLOOR_BLOCKS, LOWEST = 5 * BLOCKS_PER_S, 10  # of which so many are lower


class Sound:
    """What jumps are looked for in: a row of dB for each block, by band and class of sound.

    That row is the difference of both microphones.
    """

    def __init__(self, levels: Powers, classes: list[Mask]) -> None:
        self.levels = levels
        bands = levels[0] - levels[1]
        self.mean = bands.mean(axis=1)
        self.classes = classes
        self.voices = voice_rows(levels, classes)
        self.sums: list[Sums | BandSums] = [
            *self.voices,
            Sums(np.where(classes[2], self.mean, np.nan)),
        ]
        self.bands = [Sums(np.where(classes[2], row, np.nan)) for row in bands.T]
        means = levels.mean(axis=2)
        self.quiet = [Sums(np.where(classes[2], row, np.nan)) for row in means]
        self.room = Sums(np.where(classes[2], means.mean(axis=0), np.nan))
        self.spoken = [[Sums(np.where(c, row, np.nan)) for row in means] for c in classes[:2]]

    def borne_out(self, at: np.ndarray, first: int, end: int) -> Powers:
        """Return how much of all classes' variance a step at each moment explains."""
        return np.sum([row.borne_out(at, first, end) for row in self.sums], axis=0)


def voice_rows(levels: Powers, classes: list[Mask]) -> list[BandSums]:
    """Return by how much each voice differs between the microphones, where it stands clear."""
    clear = over_floor(levels)
    apart = levels[0] - levels[1]
    return [BandSums(np.where(mask & clear.T, apart.T, np.nan)) for mask in classes[:2]]


def shift_of(sound: Sound, at: np.ndarray, first: int, end: int) -> tuple[Powers, Powers, Powers]:
    """Return by how much all sounds shift (pauses first, else voices), and each class's shift."""
    shift, error = np.stack([row.shift(at, first, end) for row in sound.sums], axis=1)
    weight = np.where(np.isfinite(shift), 1 / error**2, 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = (weight * np.nan_to_num(shift)).sum(axis=0) / weight.sum(axis=0)
    both = np.isfinite(shift[:2]).all(axis=0) & (np.abs(shift[0] - shift[1]) < AGREE_DB)
    by = np.where(np.isfinite(shift[2]), shift[2], np.where(both, mean, 0.0))
    spread = np.std([row.shift(at, first, end)[0] for row in sound.bands], axis=0)
    uneven = spread > np.clip(UNEVEN_SHARE * np.abs(by), LEAST_UNEVEN_DB, UNEVEN_DB)
    by = np.where(uneven, _of_voices(by, shift, error), by)
    # One voice alone may have turned round.
    one = np.isfinite(shift).sum(axis=0) == 1
    told = one & (np.nanmax(np.abs(np.nan_to_num(shift[:2])), axis=0) >= ONE_VOICE_LEAST_DB)
    by = np.where(told, np.nansum(shift[:2], axis=0), by)
    return by, shift, error


def _of_voices(by: Powers, shift: Powers, error: Powers) -> Powers:
    """Return ``by``, or what the voices say where a part of the background lies behind the gain.

    A converter's own noise stays where it is, so that the background moves the way of the voices,
    by less.
    """
    voices: Powers = np.where(error[:2] < VOICE_SURE_DB, shift[:2], np.nan)
    with np.errstate(invalid="ignore"):
        unlike: Mask = np.abs(voices[0] - voices[1]) >= AGREE_DB  # never where one alone is certain
        known: Mask = np.asarray(np.isfinite(voices))
        told = np.where(known[0], voices[0], voices[1])
        told = np.where(known.all(axis=0), voices.mean(axis=0), told)
        behind = ~unlike & (by * np.sign(told) >= PART_DB) & (np.abs(told) > np.abs(by))
    return np.where(behind & np.isfinite(told), told, by)


def shift_of_lowest(sound: Sound, block: int, by: float) -> float | None:
    """Return what both microphones' lowest levels shift by, in the mean; None if nothing is told.

    Asked are the bands in which they part by as much as the jump: no voice lay over the rest of
    the background there for all of the time.
    """
    sides = [sound.levels[:, max(block - SIDE, 0) : block], sound.levels[:, block : block + SIDE]]
    sides = [side[:, np.isfinite(side).all(axis=(0, 2))] for side in sides]
    if min(side.shape[1] for side in sides) < LEAST_LOWEST:
        return None
    before, after = (np.percentile(side, LOWEST_PERCENTILE, axis=1) for side in sides)
    shift = after - before
    told = np.abs(shift[0] - shift[1] - by) < AGREE_DB
    return float(np.median(shift.mean(axis=0)[told])) if told.any() else None


def sound_classes(hearing: Hearing, levels: Powers, quiet: Mask) -> list[Mask]:
    """Return which blocks hold the first voice alone, the second alone, nobody."""
    count = levels.shape[1]
    floor = np.array([np.nanpercentile(row, 10) if np.isfinite(row).any() else 0 for row in levels])
    with np.errstate(invalid="ignore"):
        clear = (levels > (floor + OVER_FLOOR_DB)[:, None]).all(axis=0)
    live = np.isfinite(levels).all(axis=0)
    single = in_blocks(hearing.activity.single, count)
    return [single[0].all(axis=1) & clear, single[1].all(axis=1) & clear, quiet & live]


def over_floor(levels: Powers) -> Mask:
    """Return where each band stands over its background in both microphones, ``(blocks, bands)``.

    A gain that is turned moves the background, too: the louder of both sides' is what counts.
    """
    count, step = levels.shape[1], BLOCKS_PER_S
    known = np.where(np.isfinite(levels), levels, np.inf)
    short = max(FLOOR_BLOCKS - count, 0)
    known = np.pad(known, ((0, 0), (0, short), (0, 0)), constant_values=np.inf)
    windows = np.lib.stride_tricks.sliding_window_view(known, FLOOR_BLOCKS, axis=1)
    starts = np.minimum(np.arange(0, count, step), windows.shape[1] - 1)
    low = np.partition(windows[:, starts], LOWEST, axis=3)[..., LOWEST]
    low[np.isinf(low)] = -np.inf  # too little is known
    # The window that ends where this one begins lies so many seconds before.
    before = np.pad(low, ((0, 0), (FLOOR_BLOCKS // step, 0), (0, 0)), mode="edge")
    floor = np.maximum(before[:, : low.shape[1]], low)
    each = floor[:, np.arange(count) // step]
    with np.errstate(invalid="ignore"):
        return np.asarray((levels > each + BAND_OVER_DB).all(axis=0))
