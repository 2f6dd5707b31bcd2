"""The ceiling at which tops were cut off, from how square, wide and rough they are by level.

Square tops that lie at one level, which hardly anything exceeds, were cut; chance makes them at all
levels. Codecs and filters bend them again: then the ceiling is where many lie whose tops are wider
than those of lower ones.
"""

from collections.abc import Iterator

import numpy as np

from dualmic.meters.square_tops import (
    HIGHEST_DBFS,
    LEVELS,
    SHAPES,
    SQUARE_CLASS,
    STEP_DB,
    TopShapes,
)
from dualmic.stack import pieces, room
from dualmic.tiles import Mask

# Our choices, tuned on simulated scenes. A ceiling is where so many cells are square, and a seventh
# of all within 0.6 dB; of tops that a limiter rounded, even by 9 dB, four were. Hardly anything is
# louder.
CEILING_STEPS, SQUARE_CELLS, SQUARE_CELLS_SHARE, BEYOND_SHARE = 3, 8, 0.15, 0.25
# Our choices, of lossy sound. Within a decibel of the ceiling lie as many cells as in the next two,
# where speech has a third of that, and their tops are wider than those 3 to 8 dB below.
BENT_STEPS, BENT_CELLS, BENT_WIDER = 5, 15, 1.35
OVERSHOOT_DB = 3.0  # what is louder was not cut, as a slate beside words that were
LOWER_STEPS = 40
# A limiter that keeps peaks to one level leaves voices as narrow as they are: 0.33 of the time over
# half the peak at the most, cut tops 0.36 and more.
BENT_LEAST = 0.34
# Where peaks pile up as closely as ``clipping.py`` asks, so many times as wide will do, if they are
# square as well: a limiter that follows the syllables makes its own up to 1.43 times as wide as
# softer ones, for loud voices are wider, but in their upper half decibel they spend no more than
# 1.6 times as long. Tops that were cut spend 1.8 times as long there, narrow ones 2.4 times.
PILED_WIDER, WIDE_SQUARER, NARROW_SQUARER = 1.15, 1.7, 2.0
# Cut off and then resampled, or sent over a coded link, tops ripple and none is square. What is
# left is that many lie at the ceiling, beside those of the next 1.6 dB, and are far wider than
# lower ones in both measures. Of 150 microphones in which nothing was cut the widest came to 1.8
# and 1.3 times, limiters with an attack and a release to 1.65 and 1.5. Rounded tops are as wide,
# but smooth: of 216 half waves of inputs that saturate a hundredth turned 1.2 times as often at
# the ceiling as wide ones below it, of 34 that ripple 19 did 1.4 times and more. (our choices)
RIPPLED_STEPS, RIPPLED_CELLS, RIPPLED_DENSE = 4, 80, 0.6
RIPPLED_SQUARER, RIPPLED_WIDER, RIPPLED_TURNS, LEAST_TURNS = 2.0, 1.45, 1.4, 20
BENT_FLAT_SHARE = 0.06  # of a cell: 0.6 ms, how long such a peak is flat in the mean
KNOWN_SHARE = 0.5  # of a ceiling's cells known to be flat: then it is that of ``clipping.py``
_PIECE_CELLS = 100_000  # our choice, of no influence on results


def square_frames(shapes: TopShapes, channel: int, known: np.ndarray) -> np.ndarray:
    """Return the frames cut off in each cell, as far as shapes tell, ``(cells,)``.

    Args:
        shapes: what the meter kept.
        channel: row of it.
        known: frames found flat already, ``(cells,)``: a ceiling that they lie at is known.

    """
    frames = room(len(known), np.uint16)
    for half in (0, 1):
        level = shapes.level[half][channel][: len(known)]
        ceiling = _ceiling(shapes, channel, half)
        if ceiling is None:
            continue
        steps, flat = ceiling
        cut, known_cut = 0, 0
        for piece in pieces(len(level), _PIECE_CELLS):
            part = _at_ceiling(level[piece], steps)
            cut += int(np.count_nonzero(part))
            known_cut += int(np.count_nonzero(known[piece][: len(part)][part]))
        if known_cut >= KNOWN_SHARE * cut:
            continue
        for piece in pieces(len(level), _PIECE_CELLS):
            under = _at_ceiling(level[piece], steps)
            into = frames[piece][: len(under)]
            np.maximum(into, under * np.uint16(flat), out=into)
    return frames


def _at_ceiling(level: np.ndarray, steps: range) -> Mask:
    return np.asarray((level >= steps.start) & (level < steps.stop))


def _ceiling(shapes: TopShapes, channel: int, half: int) -> tuple[range, int] | None:
    """Return the steps that count to the ceiling, and the frames a cell holds, if there is one."""
    cells = shapes.cells[channel, half]
    square = shapes.square[channel, half, :, SQUARE_CLASS:].sum(axis=1)
    best = int(np.argmax(_within(square, CEILING_STEPS)))
    window = slice(best, best + CEILING_STEPS)
    near, squares = int(cells[window].sum()), int(square[window].sum())
    if (
        squares >= SQUARE_CELLS
        and squares >= SQUARE_CELLS_SHARE * near
        and cells[:best].sum() <= BEYOND_SHARE * near
    ):
        # The window begins as high as it can: the ceiling itself is where the first square cell is.
        highest = best + int(np.flatnonzero(square[window])[0])
        under = slice(highest, highest + CEILING_STEPS)
        held = float(shapes.flat[channel, half, under].sum()) / int(cells[under].sum())
        return range(highest, under.stop), max(round(held), 1)
    bent = None if shapes.is_exact else _bent_ceiling(cells, shapes.bent[channel, half])
    steps = bent or _rippled_ceiling(shapes, channel, half)
    if steps is None:
        return None
    highest = max(steps.start - round(OVERSHOOT_DB / STEP_DB), 1)
    return range(highest, steps.stop), round(BENT_FLAT_SHARE * shapes.cell_frames)


def _bent_ceiling(cells: np.ndarray, shapes: np.ndarray) -> range | None:
    """Return the steps of the ceiling at which a codec's bent tops lie, if one shows."""
    for steps, lower in _piles(cells, BENT_STEPS, BENT_CELLS, 1.0):
        top, rest = (shapes[part].sum(axis=0) for part in (_slice(steps), lower))
        is_wide = _mean(top) >= max(BENT_WIDER * _mean(rest), BENT_LEAST)
        if rest.sum() >= BENT_CELLS and is_wide:
            return steps
    return None


def _rippled_ceiling(shapes: TopShapes, channel: int, half: int) -> range | None:
    """Return the steps of a ceiling at which tops are far wider than lower ones, and rough.

    That is what is left of a cut that was filtered or coded afterwards.
    """
    cells, square = shapes.cells[channel, half], shapes.square[channel, half]
    bent, turns = shapes.bent[channel, half], shapes.turns[channel, half]
    for steps, lower in _piles(cells, RIPPLED_STEPS, RIPPLED_CELLS, RIPPLED_DENSE):
        top = _slice(steps)
        if min(bent[lower].sum(), square[lower].sum()) < BENT_CELLS:
            continue
        (often, frames), (usual, of) = turns[top].sum(axis=0), turns[lower].sum(axis=0)
        if (
            _times_as_wide(square, top, lower) >= RIPPLED_SQUARER
            and _times_as_wide(bent, top, lower) >= RIPPLED_WIDER
            and usual >= LEAST_TURNS
            and often * of >= RIPPLED_TURNS * usual * frames
        ):
            return steps
    return None


def _piles(
    cells: np.ndarray, count: int, least: int, dense: float
) -> Iterator[tuple[range, slice]]:
    """Yield so many steps that hold most cells, hardly any above; and those 3 to 8 dB lower.

    The largest first; ``least`` cells, and ``dense`` times as many as in the next steps, twice as
    many steps.
    """
    near = _within(cells, count)
    below = _within(cells, 3 * count) - near
    beyond = np.concatenate([[0], np.cumsum(cells)[:-1]])
    piled = (near >= least) & (near >= dense * below) & (beyond <= BEYOND_SHARE * near)
    for best in sorted(map(int, np.flatnonzero(piled)), key=lambda step: -near[step]):
        yield range(best, best + count), slice(best + 3 * BENT_STEPS, best + LOWER_STEPS)


def _slice(steps: range) -> slice:
    return slice(steps.start, steps.stop)


def wider_at(shapes: TopShapes, channel: int, ceiling_dbfs: float, width_db: float) -> bool:
    """Whether tops that pile up under a ceiling are wider than those that are some dB lower.

    Args:
        shapes: what the meter kept.
        channel: row of it.
        ceiling_dbfs: level that the peaks pile up at.
        width_db: how far above and under it they count.

    """
    first, last = (
        int(np.clip((HIGHEST_DBFS - ceiling_dbfs + by_db) // STEP_DB + 1, 1, LEVELS))
        for by_db in (-width_db, width_db)
    )
    top, lower = slice(first, last + 1), slice(last + 3 * BENT_STEPS, last + LOWER_STEPS)
    half = int(np.argmax(shapes.bent[channel, :, top].sum(axis=(1, 2))))
    bent, square = shapes.bent[channel, half], shapes.square[channel, half]
    if bent[lower].sum() < BENT_CELLS:  # nothing to hold them against
        return _mean(bent[top].sum(axis=0)) >= BENT_LEAST
    squarer = _times_as_wide(square, top, lower)
    if _mean(bent[top].sum(axis=0)) >= BENT_LEAST:
        return squarer >= WIDE_SQUARER and _times_as_wide(bent, top, lower) >= PILED_WIDER
    return squarer >= NARROW_SQUARER


def _times_as_wide(shapes: np.ndarray, top: slice, lower: slice) -> float:
    """Return how much wider the tops of some levels are than those of others."""
    return _mean(shapes[top].sum(axis=0)) / _mean(shapes[lower].sum(axis=0))


def _within(counts: np.ndarray, steps: int) -> np.ndarray:
    """Return how many lie within so many steps from each one on."""
    total = np.concatenate([[0], np.cumsum(counts), np.full(steps, counts.sum())])
    return np.asarray(total[steps : steps + len(counts)] - total[: len(counts)])


def _mean(shapes: np.ndarray) -> float:
    """Return the mean share of a distribution of shapes."""
    return float((shapes * (np.arange(len(shapes)) + 0.5)).sum() / max(shapes.sum(), 1)) / SHAPES
