"""Clipping: tops cut flat at a ceiling, at full scale or below it. (Own definition.)

A run of samples counts as a clipped top when

1. it is three or more equal samples (two at full scale count towards a run already found there), or
   five and more that lie within one step of 2^-13: what cut them was followed by a quiet converter,
2. it is the local maximum in magnitude: both neighbours lie nearer to zero,
3. it is entered or left with a break: the slope just outside is far steeper than a rounded top of
   that length can have. A smooth top that quantisation makes flat over n samples bends by less than
   one step q of the file's resolution there, so just outside it falls by at most about
   q (1 + 2 / (n - 1))^2; a cut top falls by more,
4. its ceiling is shared: at full scale one run is enough; below it, a preamp or a limiter clipped
   and the level was turned down later, and then many runs end within 0.1 dB of the same level, and
   hardly any sample of the channel reaches beyond it.

Quiet 16-bit hum has flat tops in every period; rule 3 tells them apart.

A lossy codec bends cut tops by some per cent, so no two samples are equal any more. What is left is
that the loudest moments pile up under one level: natural speech grows rarer towards its own peak.
"""

from dataclasses import dataclass

import numpy as np

from dualmic.meters.flat_runs import Runs, flat_runs
from dualmic.meters.square_tops import TopShapes
from dualmic.meters.top_ceilings import OVERSHOOT_DB, wider_at
from dualmic.stack import Stack, let_go, pieces, room
from dualmic.tiles import Floats, Span, cell_edges

LEAST_RUN = 3
FULL_SCALE = 0.9985  # 0.013 dB under full scale: converters and codecs stop a few steps short
# Our choices. A held value of 10 ms is a frozen converter, not a clipped top (see continuity).
LONGEST_S = 0.010
CEILING_STEP_DB = 0.1
SHARED_RUNS = 8
QUIETEST_CEILING_DBFS = -40.0
LEAST_CEILING = 10 ** (QUIETEST_CEILING_DBFS / 20)
# Our choices, for lossy sound, tuned on simulated scenes: peaks of 10 ms within 0.4 dB of a level
# that hardly any exceeds, against those of the same width below. Speech untouched has 10 to 10.
PILED_DB, PILED_CELLS, PILED_TIMES, BEYOND_SHARE = 0.4, 15, 2.0, 0.25
PILED_CEILING_DBFS = -20.0
STEADY_SHARE, STEADY_DB = 0.3, 20.0  # a tone has its peak everywhere
PILED_MS = 0.6  # how long such a peak is flat, in the mean
# Our choices. After the cut a converter adds noise of its own, 80 dB under full scale at the most:
# so tops are as good as equal within 2^-13, where that is a small part of them. Fewer than five
# such samples are chance in any sound that is rough.
COARSE_STEP, COARSE_RUN, COARSE_LEAST_DBFS = 2.0**-13, 5, -26.0
_COARSE_LEAST = 10 ** (COARSE_LEAST_DBFS / 20)
# Between 2^10 and 2^11 single precision has just that step: many times as fast as np.round.
_ROUNDS_TO_COARSE = np.float32(1.5 * 2.0**23 * COARSE_STEP)
_STEEPER = 3.0  # times the fall that a rounded top can have
LEAST_DBFS = -120  # no peak is said to be lower
_PIECE_CELLS = 100_000  # our choice, of no influence on results
_CEILING_STEPS = round(-QUIETEST_CEILING_DBFS / CEILING_STEP_DB) + 1


@dataclass(frozen=True)
class ClippedTops:
    """Flat tops of every channel by cell of 10 ms.

    ``flat_frames`` ``(channels, cells)``: frames held flat; ``ceiling`` ``(channels, cells)``: the
    step (of 0.1 dB under full scale) of the highest flat top in the cell, -1 for none;
    ``runs`` ``(channels, 2, steps)``: how many tops at each step, upper and lower half wave;
    ``top`` ``(channels, 2)``: largest sample of each half wave; ``is_exact``: samples are as they
    were converted, not a codec's.
    """

    flat_frames: np.ndarray
    ceiling: np.ndarray
    runs: np.ndarray
    top: np.ndarray
    is_exact: bool = True


class ClippingMeter:
    """Feeds on spans, keeps flat tops by cell. Memory: 1.5 MB an hour and channel."""

    def __init__(self, rate_hz: int, channels: int, bit_depth: int | None) -> None:
        """``bit_depth`` is the file's resolution in bits, None for float and lossy sound."""
        self._edges = cell_edges(rate_hz)
        self._longest = round(LONGEST_S * rate_hz)
        self._keep = self._longest + 2
        self._is_exact = bit_depth is not None
        self._step = 2.0 ** (1 - bit_depth) if bit_depth else 2.0**-23
        self._past = 0  # frames before a span that are looked at once more
        self._runs = np.zeros((channels, 2, _CEILING_STEPS), np.int64)
        self._top = np.zeros((channels, 2))
        self._flat, self._ceiling = Stack(), Stack()
        self._open: tuple[np.ndarray, np.ndarray] | None = None

    def push(self, span: Span) -> None:
        """Take in the next span; a top at its very end is judged with the next one."""
        samples = span.samples
        self._top[:, 0] = np.maximum(self._top[:, 0], samples.max(axis=1))
        self._top[:, 1] = np.maximum(self._top[:, 1], -samples.min(axis=1))
        cells = int(np.searchsorted(self._edges, span.frames))  # a begun one is one, too
        flat = np.zeros((len(samples), cells), np.uint16)
        ceiling = np.full((len(samples), cells), -1, np.int16)
        for channel, row in enumerate(span.since(self._past)):
            self._find(channel, row, self._past, flat, ceiling)
        self._close()
        self._open = (flat, ceiling)
        self._past = min(self._keep, span.frames)

    def _find(
        self, channel: int, row: Floats, offset: int, flat: np.ndarray, ceiling: np.ndarray
    ) -> None:
        equal = self._cut(flat_runs(row, LEAST_RUN), row, offset, self._step, LEAST_CEILING)
        coarse = (row + _ROUNDS_TO_COARSE) - _ROUNDS_TO_COARSE
        runs = flat_runs(coarse, COARSE_RUN)
        nearly = self._cut(runs, coarse, offset, COARSE_STEP, _COARSE_LEAST)
        # Those that hold equal samples are told already.
        known = np.searchsorted(equal.start, nearly.start + nearly.length) > np.searchsorted(
            equal.start + equal.length, nearly.start, side="right"
        )
        for tops in (equal, nearly.where(~known)):
            self._keep_runs(channel, tops, offset, flat, ceiling)

    def _cut(self, runs: Runs, row: Floats, offset: int, step: float, least: float) -> Runs:
        """Return the runs that are cut tops, in samples that are whole numbers of ``step``."""
        runs = runs.where(np.abs(runs.value) >= least)
        if not len(runs.start):
            return runs
        end = runs.start + runs.length
        # An offset lies under all: noise round it is no top however far the offset is from zero.
        offset_free = runs.value - row.mean(dtype=np.float64)
        away = (np.abs(offset_free) >= least) & (offset_free * runs.value > 0)
        good = (
            away
            & (runs.length <= self._longest)
            & (runs.start > 0)
            & (end < len(row))
            # Runs that ended within the past were judged with it.
            & (end >= offset)
        )
        runs = runs.where(good)
        start, length, value = runs
        sign = np.sign(value)
        before = (value - row[start - 1]) * sign
        after = (value - row[start + length]) * sign
        rounded = step * (1 + 2 / (length - 1)) ** 2
        cut = (before > 0) & (after > 0) & (np.maximum(before, after) > _STEEPER * rounded)
        return runs.where(cut)

    def _keep_runs(
        self, channel: int, runs: Runs, offset: int, flat: np.ndarray, ceiling: np.ndarray
    ) -> None:
        size = np.minimum(np.abs(runs.value), 1.0)
        level = np.round(-20 * np.log10(size) / CEILING_STEP_DB).astype(int)
        half = (runs.value < 0).astype(int)
        np.add.at(self._runs[channel], (half, level), 1)
        cell = np.searchsorted(self._edges, runs.start - offset, side="right") - 1
        for k, frames, step in zip(cell, runs.length, level, strict=True):
            into = (flat, ceiling) if k >= 0 else self._open
            if into is not None:
                into[0][channel, k] += frames
                held = into[1][channel, k]
                into[1][channel, k] = step if held < 0 else min(held, step)

    def _close(self) -> None:
        if self._open is not None:
            self._flat.add(self._open[0])
            self._ceiling.add(self._open[1])
            self._open = None

    def result(self) -> ClippedTops:
        """Return the tops so far, those of a last cell that is shorter, too."""
        self._close()
        shape = (len(self._runs), 0)
        return ClippedTops(
            self._flat.joined(shape, np.uint16),
            self._ceiling.joined(shape, np.int16),
            self._runs.copy(),
            self._top.copy(),
            self._is_exact,
        )


def clipped_frames(
    tops: ClippedTops,
    channel: int,
    *,
    is_float: bool,
    peak: Floats | None = None,
    shapes: TopShapes | None = None,
    rate_hz: int = 48_000,
) -> np.ndarray:
    """Return the clipped frames of each cell of one channel, ``(cells,)``.

    Float recordings above full scale are not clipped there: full scale is no ceiling for them.
    With the largest sample of each cell, ``peak``, tops that a codec has bent are found too; with
    ``shapes``, only those that are wider than lower ones: a limiter makes peaks pile up as well.
    """
    shared = np.zeros(_CEILING_STEPS, bool)
    for half in range(2):
        shared |= _ceilings(tops.runs[channel, half], tops.top[channel, half], is_float)
    step = tops.ceiling[channel]
    counted = (step >= 0) & shared[np.maximum(step, 0)]
    frames = np.where(counted, tops.flat_frames[channel], 0)
    if peak is not None and not tops.is_exact and not is_float:
        piled = _piled_up(peak[: len(frames)], shapes, channel)
        bent = np.uint16(round(PILED_MS * rate_hz / 1000))
        frames[: len(piled)][piled & (frames[: len(piled)] == 0)] = bent
    return frames


def _piled_up(peak: Floats, shapes: TopShapes | None, channel: int) -> np.ndarray:
    """Return the cells whose peaks pile up under one level, ``(cells,)``."""
    level = peak_level_dbfs(peak)
    piled = np.flatnonzero(piles(level, PILED_CELLS, PILED_TIMES, PILED_CEILING_DBFS))
    if not len(piled):
        return np.zeros(len(peak), bool)
    ceiling = -piled[0] / 10
    if shapes is not None and not wider_at(shapes, channel, ceiling, PILED_DB):
        return np.zeros(len(peak), bool)
    return np.asarray((level > ceiling - PILED_DB) & (level < ceiling + OVERSHOOT_DB))


def peak_level_dbfs(peak: Floats) -> Floats:
    """Return the level of each cell's largest sample, -120 dBFS at the least."""
    level = room(len(peak), np.float32)
    np.maximum(peak, 10 ** (LEAST_DBFS / 20), out=level)
    np.log10(level, out=level)
    level *= 20
    let_go()
    return level


def piles(level_dbfs: Floats, least: int, times: float, lowest_dbfs: float) -> np.ndarray:
    """Return how many cells peak just under each ceiling that they pile up at, 0 for others.

    Ceilings are 0.1 dB apart, from full scale down: ``(ceilings,)``.

    Args:
        level_dbfs: :func:`peak_level_dbfs` of every 10 ms, ``(cells,)``.
        least: cells within ``PILED_DB`` of a ceiling.
        times: as many of them as within twice that below.
        lowest_dbfs: where ceilings are no longer looked for.

    """
    counts = np.zeros(-10 * LEAST_DBFS + 1, np.int64)
    for piece in pieces(len(level_dbfs), _PIECE_CELLS):
        below = -10 * np.minimum(level_dbfs[piece], 0.0)
        counts += np.bincount(np.round(below).astype(np.int64), minlength=len(counts))
    total = np.concatenate([[0], np.cumsum(counts)])
    width = round(10 * PILED_DB)
    ceiling = np.arange(round(-10 * lowest_dbfs))
    beyond = total[np.maximum(ceiling - width, 0)]
    near = total[ceiling + width] - beyond
    below = total[ceiling + 3 * width] - total[ceiling + width]
    loud = total[ceiling + round(10 * STEADY_DB)]
    piled = (
        (near >= least)
        & (near >= times * below)
        & (beyond <= BEYOND_SHARE * near)
        & (near < STEADY_SHARE * loud)
    )
    return np.where(piled, near, 0)


def _ceilings(runs: np.ndarray, top: float, is_float: bool) -> np.ndarray:
    """Which steps hold a ceiling that many tops of one half wave share."""
    shared = np.zeros(len(runs), bool)
    if top <= 0:
        return shared
    if not is_float and top >= FULL_SCALE:
        shared[0] = True
    steps = np.arange(len(runs))
    near = runs + np.concatenate([runs[1:], [0]]) + np.concatenate([[0], runs[:-1]])
    for step in steps[near >= SHARED_RUNS]:
        beyond = runs[: max(step - 1, 0)].sum()
        below = runs[step + 2 :].sum()
        # A ceiling gathers its tops at one level; flat tops of chance spread over many.
        if near[step] >= 3 * (beyond + below) or near[step] >= 0.3 * runs.sum():
            shared[max(step - 1, 0) : step + 2] = True
    return shared
