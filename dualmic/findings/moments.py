"""When a background changes: the moment that makes all levels around it most likely.

A band holds its background, or a voice over it: never less. Whoever talks leaves some bands free
many times a second, so each block of each band speaks for the background before or the one after,
and all bands of both microphones are asked together, in pauses and under talk alike.

The power of noise in a band over a while is distributed as chi-squared, of twice as many degrees of
freedom as the product of band width and time says (Blackman and Tukey, The Measurement of Power
Spectra, 1958): a narrow band often lies far under its mean, and seldom far over it.
"""

from functools import cache

import numpy as np

from dualmic.findings.base import BLOCKS_PER_S
from dualmic.meters.spectrum import NOISE_BANDS_HZ, SPEECH_BANDS_HZ
from dualmic.tiles import Indices, Mask, Powers

# All our choices, tuned on simulated scenes.
LEAST_DB = 2.5  # what a band has to change by to be asked
WANDER_DB = 0.7  # of the level of a steady place, besides chance
# Share of blocks in which a band holds the background alone: in pauses, between, in talk.
FREE = np.array([0.8, 0.45, 0.17])
VOICE_DB = 40.0  # a voice lies anywhere up to so far over the background
NEVER = 3e-4  # density, per dB, of what neither a background nor a voice explains
ALIKE_BANDS = 5.0  # bands and blocks side by side say nearly the same: so many count as one
CLEAREST = 3.0  # nepers that a block says at most
SURE_S = 0.1  # how near the moment is known, words before and after it permitting
LIKELY = 0.3  # nepers under the most likely moment's: what else it may be
REACH = 2 * BLOCKS_PER_S  # beyond the span asked for, and again where the likeliest lies at an edge
FURTHER, EDGE = 4, BLOCKS_PER_S // 2
_BANDS_HZ = (NOISE_BANDS_HZ[1] - NOISE_BANDS_HZ[0], *np.diff(SPEECH_BANDS_HZ),
             NOISE_BANDS_HZ[-1] - NOISE_BANDS_HZ[-2])  # fmt: skip
STEP_DB, REACH_DB = 0.1, 40.0  # of the table of levels, of no influence on results


def moment(
    blocks: Powers, before: Powers, after: Powers, span: tuple[int, int], talk: Mask, pause: Mask
) -> tuple[int, int, int]:
    """Return the block from which on the background is the later one, and how early and late.

    Args:
        blocks: band levels of every 50 ms in dB, ``(2, blocks, bands)``, NaN where nothing is.
        before: the background before in each band, ``(2, bands)``, NaN where it is not known.
        after: the background after.
        span: the blocks between which it is looked for, and somewhat beyond.
        talk: which blocks hold anybody's speech, ``(blocks,)``.
        pause: which lie in pauses, ``(blocks,)``.

    """
    low, high = span
    for _ in range(FURTHER):
        low, high = max(low - REACH, 0), min(high + REACH, blocks.shape[1])
        later = says_later(blocks[:, low:high], before, after, talk[low:high], pause[low:high])
        total = np.concatenate([[0.0], np.cumsum(later)])
        likely = low + np.flatnonzero(total < total.min() + LIKELY)
        if low + EDGE < likely[0] and likely[-1] < high - EDGE:
            break
    return low + int(np.argmin(total)), int(likely[0]), int(likely[-1])


def says_later(blocks: Powers, before: Powers, after: Powers, talk: Mask, pause: Mask) -> Powers:
    """Return by how many nepers each block speaks for the later background, ``(blocks,)``.

    Negative where it speaks for the earlier one; arguments as in :func:`moment`.
    """
    with np.errstate(invalid="ignore"):
        asked = np.abs(after - before) >= LEAST_DB
    levels = blocks.transpose(0, 2, 1)[asked]
    bands = np.nonzero(asked)[1]
    free = FREE[kind_of(talk, pause)]
    says = [
        np.log(density(levels - level[asked][:, None], bands, free)) for level in (before, after)
    ]
    later = np.nan_to_num(says[1] - says[0]).sum(axis=0) / ALIKE_BANDS
    return np.asarray(np.clip(later, -CLEAREST, CLEAREST))


def kind_of(talk: Mask, pause: Mask) -> Indices:
    """Return which of :data:`FREE` holds for each block: in a pause, between, or in talk."""
    return np.where(pause, 0, np.where(talk, 2, 1))


def density(over_db: Powers, bands: np.ndarray, free: Powers) -> Powers:
    """Return how likely levels so far over a background are, which a band holds alone or not."""
    alone, under = of_noise()
    at = np.clip((np.nan_to_num(over_db) + REACH_DB) / STEP_DB, 0, alone.shape[1] - 1)
    at = np.round(at).astype(np.int64)
    alone, under = alone[bands[:, None], at], under[bands[:, None], at]
    # A voice may lie anywhere over whatever the background is in that block.
    dense = free * alone + (1 - free) * under / VOICE_DB + NEVER
    return np.where(np.isfinite(over_db), dense, np.nan)


@cache
def of_noise() -> tuple[Powers, Powers]:
    """Return density and share under each level of a band's noise, from 40 dB under its median.

    Each is ``(bands, levels)``, the density per dB.
    """
    steps = round(2 * REACH_DB / STEP_DB) + 1
    half_degrees = np.array(_BANDS_HZ)[:, None] / BLOCKS_PER_S
    ratio = 10 ** (np.linspace(-REACH_DB, REACH_DB, steps) / 10)
    # The median of chi-squared, relative to its mean, after Wilson and Hilferty (1931).
    ratio = ratio * (1 - 1 / (9 * half_degrees)) ** 3
    dense = np.exp(half_degrees * (np.log(ratio) + 1 - ratio))
    half = round(10.0 / STEP_DB)
    reach = np.arange(-half, half + 1) * STEP_DB
    wander = np.exp(-0.5 * (reach / WANDER_DB) ** 2)
    dense = np.array([np.convolve(row, wander, mode="same") for row in dense])
    dense /= dense.sum(axis=1, keepdims=True) * STEP_DB
    return dense, np.cumsum(dense, axis=1) * STEP_DB
