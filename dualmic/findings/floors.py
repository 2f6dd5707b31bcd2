"""Backgrounds that step up or down, told band by band, so that talk need not stop for it.

A background is the least a band ever holds: levels pile up at it whenever the voices leave that
band, which they do many times a second somewhere in the spectrum. So in each band of each
microphone the lowest levels of some seconds before a moment are held against those of the seconds
after. Where levels do not pile up at the bottom, a voice covers the band and it says nothing.

The moment is told by likelihood, see ``moments.py``.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from dualmic.findings.base import BLOCKS_PER_S
from dualmic.findings.moments import moment
from dualmic.meters.masks import bridged, holding, runs_of
from dualmic.tiles import Mask, Powers

# All our choices, tuned on simulated scenes.
WINDOWS_S = (3.0, 7.0)  # of sound on either side; the longer where words fill the shorter
EDGE_WINDOW_S, EDGE_BLOCKS = 1.5, 3 * BLOCKS_PER_S  # near the ends of a take
STEP_S = 0.25
# Levels pile up at a background: these shares of a window's blocks lie this close together. Steady
# noise in a band of 80 Hz keeps to 2 dB there, voices alone to 4 dB and more.
LOW, HIGH, PILED_DB = 0.03, 0.15, 2.5
LEAST_KNOWN = 0.5  # of a window's blocks
PARTS = 5  # of a window: a held vowel lies in one or two, a background shows in all but one
BAND_DB = 2.5  # what a band has to change by to be asked for the moment
STEP_DB = 3.5
LASTING_DB = 3.0  # a louder background never lies further under itself
PAUSES_S, LEAST_PAUSE = 10.0, 4  # how far a pause is looked for, and its least blocks
EDGE_OF_TALK_S, AT_EDGE = 0.5, 0.5  # share of talk on the one side more than on the other
# Gaps in a stretch that shows a step; steps nearer than this are one, of at least half its size.
JOIN_S, APART_S, ECHO_SHARE = 1.0, 4.0, 0.5
CHUNK = 4096  # windows sorted at once


@dataclass(frozen=True)
class Step:
    """A step of the background: when, how surely, and by how much in each band.

    ``by_db`` is ``(2, bands)``, NaN where a band says nothing, ``before_db`` the background before
    it, and ``weighted_db`` ``(2,)`` what the bands that say something change by together; ``first``
    to ``last`` are the blocks the step surely lies within.
    """

    at: int
    first: int
    last: int
    before_db: Powers
    by_db: Powers
    weighted_db: Powers

    @property
    def size(self) -> float:
        """What all bands change by together, in dB."""
        return float(np.nansum(np.abs(self.by_db)))

    @property
    def falls(self) -> bool:
        """Whether the background is lower afterwards."""
        return bool(np.nansum(self.by_db) < 0)


def find_steps(blocks: Powers, talk: Mask, pause: Mask, weights_db: Powers) -> list[Step]:
    """Return the steps of the background, in order of time.

    Args:
        blocks: band levels of every 50 ms in dB, ``(2, blocks, bands)``, NaN where nothing is.
        talk: which blocks hold anybody's speech, ``(blocks,)``.
        pause: which lie in pauses, ``(blocks,)``.
        weights_db: what each band's level counts by, ``(bands,)``.

    """
    rows = blocks.transpose(0, 2, 1).reshape(-1, blocks.shape[1])
    before, after, at = _floors(rows)
    bands = blocks.shape[2]
    # What is hardly heard in the whole may be a hum or rumble that is heard well by itself.
    change = np.stack(
        [
            _weighted(side[0], side[1], weights)
            for weights in (weights_db, np.zeros(bands))
            for side in _by_mic(before, after, bands)
        ]
    )
    found: list[Step] = []
    for first, end in _groups(change):
        by = after[:, first:end] - before[:, first:end]
        best = first + int(np.argmax(np.nansum(np.abs(by), axis=0)))
        span = int(at[first]), int(at[end - 1])
        step = _step(
            rows, talk, pause, before[:, best], after[:, best], span, _largest(change[:, best])
        )
        if step is not None:
            found.append(step)
    return _without_echoes(sorted(found, key=lambda step: step.at))


def _by_mic(before: Powers, after: Powers, bands: int) -> Iterator[tuple[Powers, Powers]]:
    for first in range(0, len(before), bands):
        yield before[first : first + bands], after[first : first + bands]


def _floors(rows: Powers) -> tuple[Powers, Powers, np.ndarray]:
    """Return the background before and after each moment, ``(rows, moments)``, and the moments."""
    count = rows.shape[1]
    at = np.arange(0, count + 1, round(STEP_S * BLOCKS_PER_S))
    before = np.full((len(rows), len(at)), np.nan)
    after = before.copy()
    lasting = np.full((2, *before.shape), np.nan)
    for seconds in (*WINDOWS_S, EDGE_WINDOW_S):
        length = round(seconds * BLOCKS_PER_S)
        if count < length:
            continue
        starts, ends = at[at + length <= count], at[at >= length]
        for k, row in enumerate(rows):
            floor, lowest = _piled(row, starts, length)
            sides = np.full((2, 2, len(at)), np.nan)  # back and ahead; floor and lowest
            for n, values in enumerate((floor, lowest)):
                sides[0, n, len(at) - len(ends) :] = values[: len(ends)]
                sides[1, n, : len(starts)] = values
            if seconds == EDGE_WINDOW_S:  # thin evidence: only where there is no more to see
                sides[0, :, at > EDGE_BLOCKS] = np.nan
                sides[1, :, at + EDGE_BLOCKS < count] = np.nan
            known = [_with_voices(sides[n, 0], sides[1 - n, 0], sides[n, 1]) for n in (0, 1)]
            for side, values in zip((before, after), known, strict=True):
                side[k] = np.where(np.isfinite(side[k]), side[k], values)
            if seconds == WINDOWS_S[-1]:
                lasting[:, k] = sides[:, 1]
    # What passes for the louder background and is left within some seconds is a voice.
    for side, other, lowest in ((before, after, lasting[0]), (after, before, lasting[1])):
        with np.errstate(invalid="ignore"):
            side[(side > other) & (lowest < side - LASTING_DB)] = np.nan
    return before, after, at


def _with_voices(floor: Powers, others: Powers, lowest: Powers) -> Powers:
    """Fill in where voices cover the background, yet it must be lower than on the other side."""
    with np.errstate(invalid="ignore"):
        return np.where(np.isnan(floor) & (lowest < others - BAND_DB), lowest, floor)


def _piled(row: Powers, starts: np.ndarray, length: int) -> tuple[Powers, Powers]:
    """Return the level that the lowest blocks of each window pile up at, NaN if they do not.

    And the level of the lowest blocks whether they do or not.
    """
    windows = np.lib.stride_tricks.sliding_window_view(row, length)
    floor, least = np.full((2, len(starts)), np.nan)
    for first in range(0, len(starts), CHUNK):
        part = windows[starts[first : first + CHUNK]]
        known = np.isfinite(part).sum(axis=1)
        ordered = np.sort(part, axis=1)  # NaN come last
        each = np.arange(len(part))
        low, high = (ordered[each, (known * share).astype(int)] for share in (LOW, HIGH))
        with np.errstate(invalid="ignore"):
            touched = (part <= high[:, None] + 1.0).reshape(len(part), PARTS, -1).any(axis=2)
        enough = known >= LEAST_KNOWN * length
        good = enough & (high - low < PILED_DB) & (touched.sum(axis=1) >= PARTS - 1)
        floor[first : first + CHUNK][good] = ((low + high) / 2)[good]
        least[first : first + CHUNK][enough] = ((low + high) / 2)[enough]
    return floor, least


def _weighted(before: Powers, after: Powers, weights_db: Powers) -> Powers:
    """Return by how much the weighted sum of the bands known on both sides changes."""
    known = np.isfinite(before) & np.isfinite(after)
    weights = weights_db.reshape(-1, *[1] * (before.ndim - 1))
    sums = [
        np.where(known, 10 ** ((side + weights) / 10), 0.0).sum(axis=0) for side in (before, after)
    ]
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(10 * np.log10(sums[1] / sums[0]))


def _largest(change: Powers) -> Powers:
    """Return the changes of both microphones by the weighting that shows more, ``(2,)``."""
    by_weighting = change.reshape(2, 2)
    size = np.nan_to_num(np.abs(by_weighting)).max(axis=1)
    return by_weighting[int(np.argmax(size))]


def _groups(change: Powers) -> Iterator[tuple[int, int]]:
    """Yield the stretches of moments at which the background differs to one side."""
    size = np.nan_to_num(change)
    rising: Mask = size.max(axis=0) >= STEP_DB
    falling: Mask = size.min(axis=0) <= -STEP_DB
    for mask, against in ((rising & ~falling, falling), (falling & ~rising, rising)):
        joined = bridged(mask, round(JOIN_S / STEP_S)) & ~against
        yield from ((int(a), int(b)) for a, b in zip(*runs_of(holding(joined, mask)), strict=True))


def _step(
    rows: Powers,
    talk: Mask,
    pause: Mask,
    before: Powers,
    after: Powers,
    span: tuple[int, int],
    change: Powers,
) -> Step | None:
    """Date a step, if the background is what makes it."""
    by = after - before
    size = np.nan_to_num(np.abs(by))
    sign = 1.0 if np.nansum(np.where(size >= BAND_DB, by, 0.0)) > 0 else -1.0
    use = (size >= BAND_DB) & (np.sign(by) == sign)
    if not use.any():
        return None
    mics = len(change)
    at, first, last = moment(
        rows.reshape(mics, -1, rows.shape[1]).transpose(0, 2, 1),
        before.reshape(mics, -1),
        after.reshape(mics, -1),
        span,
        talk,
        pause,
    )
    louder = np.maximum(before[use], after[use])
    if not _in_pauses(rows[use] - louder[:, None], talk, pause, at, -1 if sign < 0 else 1):
        return None
    before = before.reshape(mics, -1)
    return Step(at, first, last, before, by.reshape(mics, -1), change)


def _in_pauses(over_db: Powers, talk: Mask, pause: Mask, at: int, to: int) -> bool:
    """Whether the louder background, which lies ``to`` that side of a moment, is there in pauses.

    What comes and goes with somebody's speech belongs to that voice: a rumble of its own, or the
    gate of a pack. Where a step lies at the edge of speech and no pause tells, it is none.
    """
    reach, near = (round(seconds * BLOCKS_PER_S) for seconds in (PAUSES_S, EDGE_OF_TALK_S))
    sides = talk[max(at - near, 0) : at], talk[at : at + near]
    quieter, louder = sides[::to]
    at_edge = len(quieter) > 0 and len(louder) > 0 and louder.mean() - quieter.mean() > AT_EDGE
    side = slice(at, at + reach) if to > 0 else slice(max(at - reach, 0), at)
    told = over_db[:, side][:, pause[side]]
    told = told[np.isfinite(told).any(axis=1)]
    if told.shape[1] < LEAST_PAUSE or not len(told):
        return not at_edge
    return bool(np.nanmedian(told) > -LASTING_DB)


def _without_echoes(steps: list[Step]) -> list[Step]:
    """Leave out what a step just beside makes as the windows move over it.

    A rise shows from its moment on, a drop up to it: of two about as large the first rise and the
    last drop is the one.
    """
    kept: list[Step] = []
    for step in steps:
        last = kept[-1] if kept else None
        if last is None or step.at - last.at >= APART_S * BLOCKS_PER_S:
            kept.append(step)
        elif step.size > (ECHO_SHARE if step.falls else 1 / ECHO_SHARE) * last.size:
            kept[-1] = step
    return kept
