"""Tops with corners: what cut a wave off leaves a corner at each end, and nothing bends in between.

A low cut, a resampler or a short coded link that comes after the cut tilts and ripples its tops, so
that they are neither equal nor square nor at one level. But between its two corners a top stays
almost straight: its second difference is a small part of what it is at the corners, which of sound
that was not cut happens by chance, once or twice in a take.
"""

import numpy as np

from dualmic.meters.masks import runs_of
from dualmic.tiles import Floats, Indices

# Our choices. In two hundred takes in which nothing was cut two such tops were found at the most,
# in those that were, behind low cuts of 70 to 140 Hz and 6 to 18 dB an octave, 137 and more: so
# many cells of 10 ms within so long hold some.
LEAST_CELLS, WITHIN_CELLS = 6, 1000
# Tops lie so high beside what is loud in the take; there they bend by less than this share of it
# from sample to sample, for so long.
HIGH, BEND, SHORTEST_S = 0.6, 2e-3, 0.0001
LEAST_SAMPLES = 5
# Within three samples of either end a corner bends by so much, and by so many times the mean: of
# tops that were cut 33 to 700 times, of those that a limiter bends hard 12 to 80 times.
CORNER, CORNER_SAMPLES, CORNER_TIMES = 0.012, 3, 25.0
USUAL_RATE_HZ = 48_000
# In what is quieter the steps of a coarse converter are corners; at 14 bit five of them are one.
QUIETEST_DBFS = -26.0
QUIETEST = 10 ** (QUIETEST_DBFS / 20)


def crowded(frames: Indices) -> Indices:
    """Return the frames of each cell, ``(cells,)``, 0 where few cells around hold any."""
    at, reach = np.flatnonzero(frames), WITHIN_CELLS // 2
    near = np.searchsorted(at, at + reach) - np.searchsorted(at, at - reach)
    many = at[near >= LEAST_CELLS]
    kept = np.zeros_like(frames)
    kept[many] = frames[many]
    return kept


def cornered(waves: Floats, loud: float, rate_hz: int) -> Indices:
    """Return how many samples of each cell lie in tops with corners, ``(cells,)``.

    Args:
        waves: samples of some cells, ``(cells, samples)``.
        loud: a peak that is loud in this take.
        rate_hz: sample rate.

    """
    cells, width = waves.shape
    held = np.zeros(cells, np.int64)
    if not cells or width < LEAST_SAMPLES or loud < QUIETEST:
        return held
    # Rows are laid end to end; what lies between them is no top, and bends not at all.
    bend = np.zeros((cells, width + 2 * CORNER_SAMPLES), np.float32)
    inside = slice(CORNER_SAMPLES + 1, CORNER_SAMPLES + width - 1)
    bend[:, inside] = waves[:, 2:] - 2 * waves[:, 1:-1] + waves[:, :-2]
    straight = np.zeros(bend.shape, bool)
    straight[:, inside] = np.abs(waves[:, 1:-1]) > HIGH * loud
    # Between samples that lie closer a slope changes by less, and what bends bends by less still.
    step = min(USUAL_RATE_HZ / rate_hz, 1.0)
    straight &= np.abs(bend) < BEND * step**2 * loud
    starts, ends = runs_of(straight.ravel())
    long = ends - starts >= max(LEAST_SAMPLES, round(SHORTEST_S * rate_hz))
    starts, ends = starts[long], ends[long]
    if not len(starts):
        return held
    bends = bend.ravel()
    row, column = np.divmod(starts, width + 2 * CORNER_SAMPLES)
    sign = np.sign(waves[row, column - CORNER_SAMPLES])
    beside = np.arange(CORNER_SAMPLES)
    # Corners point away from zero: there the wave bends back towards it.
    before, after = (
        (-sign[:, None] * bends[at[:, None] + beside]).max(axis=1)
        for at in (starts - CORNER_SAMPLES, ends)
    )
    total = np.concatenate([[0.0], np.cumsum(np.abs(bends), dtype=np.float64)])
    usual = (total[ends] - total[starts]) / (ends - starts)
    corner = np.minimum(before, after)
    cut = (corner > CORNER * step * loud) & (corner > CORNER_TIMES * usual)
    np.add.at(held, row[cut], (ends - starts)[cut])
    return held
