"""Tops that are square though no two samples of them are equal: what clipped before this file.

A converter's own noise, a codec, a later change of level or rate, and inputs that bend before they
cut all leave no run of equal samples (those are found by ``clipping.py``). What they do leave is
the shape. Of the time a half wave spends over half its peak, it spends a third within half a
decibel of the peak if it is a sine, less if it is a voice, which ripples; cut off, most of it. Half
waves of untouched sound that come out square by chance are few, and lie at all levels; those that
were cut lie at one, which hardly anything exceeds. Each half wave is looked at by itself, for many
inputs cut one of them first.
"""

from dataclasses import dataclass

import numpy as np

from dualmic.stack import Stack, pieces, room
from dualmic.tiles import Floats, Mask, Span, cell_edges

# Our choices. Half a decibel, and the rise that leads up to it; of untouched speech less than one
# cell in five hundred spends six tenths of that time up there, of cut tops a quarter and more.
TOP_SHARE, RISE_SHARE, SQUARE = 0.944, 0.5, 0.6
# A codec bends tops by a decibel and more: then the upper fifteen per cent are looked at.
BENT_SHARE = 0.85
LONGEST_SHARE = 0.7  # of a cell over half its peak: slower than any voice, its shape is not seen
# Half waves far under the loud ones so far need no look: no ceiling of theirs would be the take's.
# Loud is what cells of half a second reach together: a slate or a knock on the table is shorter.
LOUD_DB, LOUD_CELLS = 10.0, 50
_LOUD = 10 ** (-LOUD_DB / 20)
STEP_DB, HIGHEST_DBFS = 0.2, 3.0  # codecs overshoot full scale
LEVELS = 255  # down to -48 dBFS
_SHAPES = 20  # classes of a share from 0 to 1
_SQUARE_CLASS = round(SQUARE * _SHAPES)
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
BENT_FLAT_SHARE = 0.06  # of a cell: 0.6 ms, how long such a peak is flat in the mean
KNOWN_SHARE = 0.5  # of a ceiling's cells known to be flat: then it is that of ``clipping.py``
_PIECE_CELLS = 100_000  # our choice, of no influence on results


@dataclass(frozen=True)
class TopShapes:
    """How square the loudest half waves are.

    ``level``, of upper and lower half waves, ``(channels, cells)`` each: the step (of 0.2 dB, 1
    for the highest) of the peak of each loud cell, 0 for others; ``square`` and ``bent``
    ``(channels, 2, levels, shapes)``: how many cells of each level have which shape, by the upper
    half decibel and the upper fifteen per cent; ``cells`` ``(channels, 2, levels)``: how many there
    are, slow ones too; ``flat`` ``(channels, 2, levels)``: frames that the square ones hold;
    ``cell_frames``: frames of a cell; ``is_exact``:
    samples are as they were converted.
    """

    level: tuple[np.ndarray, np.ndarray]
    square: np.ndarray
    bent: np.ndarray
    cells: np.ndarray
    flat: np.ndarray
    cell_frames: int
    is_exact: bool


class SquareTopMeter:
    """Feeds on spans, keeps shapes by level, levels by cell. Memory: 0.7 MB an hour and channel."""

    def __init__(self, rate_hz: int, channels: int, *, is_exact: bool) -> None:
        """Start with nothing heard; ``is_exact``: samples are as they were converted."""
        self._is_exact = is_exact
        edges = cell_edges(rate_hz)
        self._starts = edges[:-1]
        # Where cells differ by a frame, all are taken as long as the shorter ones.
        self._width = int(np.diff(edges).min())
        self._is_even = bool(np.diff(edges).max() == self._width)
        # The loudest peaks so far of each half wave, the lowest of them first.
        self._loudest = np.zeros((channels, 2, LOUD_CELLS), np.float32)
        self._square = np.zeros((channels, 2, LEVELS + 1, _SHAPES + 1), np.int64)
        self._bent = np.zeros_like(self._square)
        self._cells = np.zeros((channels, 2, LEVELS + 1), np.int64)
        self._flat = np.zeros((channels, 2, LEVELS + 1))
        self._level = [Stack(), Stack()]

    def push(self, span: Span) -> None:
        """Take in the next span."""
        count = int(np.searchsorted(self._starts + self._width, span.frames, side="right"))
        levels = np.zeros((2, len(span.samples), count), np.uint8)
        inside = np.arange(self._width)
        for channel, row in enumerate(span.samples):
            # What is no louder than this is loud in neither half wave.
            least = self._loudest[channel, :, 0].min() * _LOUD
            loud = np.flatnonzero(span.tops[channel, :count] > least)
            if not len(loud):
                continue
            if self._is_even:
                waves = row[: count * self._width].reshape(count, self._width)[loud]
            else:
                waves = row[self._starts[loud][:, None] + inside]
            for half, peak in enumerate((waves.max(axis=1), -waves.min(axis=1))):
                loudest = self._loudest[channel, half]
                loudest[:] = np.sort(np.concatenate([loudest, peak]))[-LOUD_CELLS:]
                high = np.flatnonzero(peak > loudest[0] * _LOUD)
                these = waves[high] if half == 0 else -waves[high]
                levels[half, channel, loud[high]] = self._add(channel, half, these, peak[high])
        for half in (0, 1):
            self._level[half].add(levels[half])

    def _add(self, channel: int, half: int, waves: Floats, peak: Floats) -> np.ndarray:
        """Count the upper half waves of ``(cells, frames)``; return the step of each peak."""
        below = (HIGHEST_DBFS - 20 * np.log10(peak)) / STEP_DB
        level = np.clip(np.floor(below) + 1, 1, LEVELS).astype(np.int64)
        level[below >= LEVELS - 1] = 0
        top, rise = _above(waves, peak, TOP_SHARE), _above(waves, peak, RISE_SHARE)
        seen = (level > 0) & (rise < LONGEST_SHARE * self._width)
        at, held, rise = level[seen], top[seen], rise[seen]
        shape = held * _SHAPES // rise
        np.add.at(self._square[channel, half], (at, shape), 1)
        np.add.at(self._flat[channel, half], at, np.where(shape >= _SQUARE_CLASS, held, 0))
        if not self._is_exact:
            bent = _above(waves, peak, BENT_SHARE)[seen]
            np.add.at(self._bent[channel, half], (at, bent * _SHAPES // rise), 1)
        self._cells[channel, half] += np.bincount(level[level > 0], minlength=LEVELS + 1)
        return level.astype(np.uint8)

    def result(self) -> TopShapes:
        """Return the shapes so far."""
        channels = len(self._cells)
        upper, lower = (stack.joined((channels, 0), np.uint8) for stack in self._level)
        return TopShapes(
            (upper, lower),
            self._square.copy(),
            self._bent.copy(),
            self._cells.copy(),
            self._flat.copy(),
            self._width,
            self._is_exact,
        )


def _above(waves: Floats, peak: Floats, share: float) -> np.ndarray:
    """Return how many frames of each row reach a share of its peak."""
    return np.asarray((waves >= (share * peak)[:, None]).sum(axis=1, dtype=np.int32))


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
    square = shapes.square[channel, half, :, _SQUARE_CLASS:].sum(axis=1)
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
    if shapes.is_exact:
        return None
    bent = _bent_ceiling(cells, shapes.bent[channel, half])
    if bent is None:
        return None
    highest = max(bent - round(OVERSHOOT_DB / STEP_DB), 1)
    steps = range(highest, bent + BENT_STEPS)
    return steps, round(BENT_FLAT_SHARE * shapes.cell_frames)


def _bent_ceiling(cells: np.ndarray, shapes: np.ndarray) -> int | None:
    """Return the highest step of the ceiling at which a codec's bent tops lie, if one shows."""
    near, low = _within(cells, BENT_STEPS), 3 * BENT_STEPS
    below = _within(cells, low) - near
    beyond = np.concatenate([[0], np.cumsum(cells)[:-1]])
    piled = (near >= BENT_CELLS) & (near >= below) & (beyond <= BEYOND_SHARE * near)
    for best in sorted(np.flatnonzero(piled), key=lambda step: -near[step]):
        top = shapes[best : best + BENT_STEPS].sum(axis=0)
        lower = shapes[best + low : best + LOWER_STEPS].sum(axis=0)
        is_wide = _mean(top) >= max(BENT_WIDER * _mean(lower), BENT_LEAST)
        if lower.sum() >= BENT_CELLS and is_wide:
            return int(best)
    return None


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
    return float((shapes * (np.arange(len(shapes)) + 0.5)).sum() / max(shapes.sum(), 1)) / _SHAPES
