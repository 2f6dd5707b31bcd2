"""Gains that jump, where one microphone's background tells: all of its bands step by the same.

At each moment every band is asked how likely its levels of the seconds before and after are if it
holds one background that steps by so much there, a voice over it or not; the background itself may
be whatever makes them likeliest. What both microphones hear may step by itself, band by band, as
a room does that swells. A gain has to explain them much better: in all bands of one microphone by
the same.

How levels spread over a background is told in ``moments.py``.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from dualmic.findings.base import BLOCKS_PER_S
from dualmic.findings.moments import ALIKE_BANDS, FREE, density, kind_of, moment
from dualmic.tiles import Floats, Indices, Mask, Powers

# All our choices, tuned on simulated scenes.
STEP = BLOCKS_PER_S // 2  # blocks between the moments that are asked
SIDE_STEPS, LEAST_STEPS = 10, 2  # what is compared on either side: five seconds, and one at least
LEAST_BLOCKS = 20  # of each side, in which a band holds anything
MOST_DB, LEAST_DB = 12, 4  # a gain
MOST_ROOM_DB, ROOM_DB = 6, 4.0  # what the room does by itself, and how usual that is: one neper
LEAST_NEPERS = 10.0
GAIN_SHARE = 0.6  # of what steps unlike in each band explain, as a machine's are
IMPOSSIBLE = -1e6  # nepers, for what lies beyond all that was heard
NEAR = STEP  # blocks beside the likeliest moment, in which the moment itself is looked for


@dataclass(frozen=True)
class GainRise:
    """One microphone's background rises by ``by_db`` (falls, if negative) in all bands alike.

    ``at``, and ``first`` to ``last``, are blocks: the moment, and how early and late it may be;
    ``nepers`` says by how much that is likelier than what the room may do, ``plainly`` than a gain
    of the other microphone; ``share`` how much of what steps unlike in each band explain it does.
    """

    mic: int
    at: int
    first: int
    last: int
    by_db: float
    nepers: float
    plainly: float
    share: float


def find_gain_rises(blocks: Powers, talk: Mask, pause: Mask) -> list[GainRise]:
    """Return the steps of gain that backgrounds show, in order of time.

    Args:
        blocks: band levels of every 50 ms in dB, ``(2, blocks, bands)``, NaN where nothing is.
        talk: which blocks hold anybody's speech, ``(blocks,)``.
        pause: which lie in pauses, ``(blocks,)``.

    """
    if not np.isfinite(blocks).any() or blocks.shape[1] < 2 * LEAST_STEPS * STEP:
        return []
    scan = _Scan(blocks, talk, pause)
    count = scan.steps
    at = np.arange(LEAST_STEPS, count - LEAST_STEPS + 1)
    likely = scan.likelihood(at, 0, count)
    ends = [0, count]
    found = []
    while len(at) and likely.nepers[best := int(np.argmax(likely.nepers))] >= LEAST_NEPERS:
        step = int(at[best])
        before = max(end for end in ends if end < step)
        after = min(end for end in ends if end > step)
        if likely.share[best] >= GAIN_SHARE:
            found.append(_dated(scan, likely, best, (step, before, after), (talk, pause)))
            step = min(max(round(found[-1].at / STEP), before + 1), after - 1)
        ends.append(step)
        # What lies beside it is asked once more, by what lies on its own side of it.
        for first, end in ((before, step), (step, after)):
            near = (at > first) & (at < end) & (np.abs(at - step) <= SIDE_STEPS)
            near &= (at >= first + LEAST_STEPS) & (at <= end - LEAST_STEPS)
            likely.put(near, scan.likelihood(at[near], first, end))
        likely.nepers[np.abs(at - step) < LEAST_STEPS] = -np.inf
        likely.nepers[best] = -np.inf  # though it was dated far from here
    return sorted(found, key=lambda rise: rise.at)


@dataclass
class _Likelihood:
    """What is told at some moments: ``(moments,)`` each."""

    nepers: Powers
    plainly: Powers
    share: Powers
    mic: Indices
    by_db: Indices

    def put(self, where: Mask, other: "_Likelihood") -> None:
        for name in ("nepers", "plainly", "share", "mic", "by_db"):
            getattr(self, name)[where] = getattr(other, name)


class _Scan:
    """Running sums of how likely all that was heard is from each background, a dB apart."""

    def __init__(self, blocks: Powers, talk: Mask, pause: Mask) -> None:
        self.blocks = blocks
        self.steps = blocks.shape[1] // STEP
        self.lowest_db = float(np.floor(np.nanpercentile(blocks, 0.1)))
        highest_db = float(np.ceil(np.nanpercentile(blocks, 95.0)))
        self.floors = int(highest_db - self.lowest_db) + 1
        bands = blocks.shape[2]
        self.total = np.zeros((2, bands, self.floors, self.steps + 1), np.float32)
        self.number = np.zeros((2, bands, self.steps + 1), np.int64)
        kind = kind_of(talk, pause)[: self.steps * STEP]
        row = np.arange(self.steps * STEP) // STEP
        over = np.arange(1 - self.floors, self.floors).astype(np.float64)
        for band in range(bands):
            # How likely each level is (rows) from each background (columns), for every kind.
            each = np.tile(over, len(FREE))[None], np.array([band]), np.repeat(FREE, len(over))
            dense = np.log(density(*each)[0]).reshape(len(FREE), -1)
            apart = np.arange(self.floors)[:, None] - np.arange(self.floors) + self.floors - 1
            table = dense[:, apart].reshape(-1, self.floors).astype(np.float32)
            for mic in (0, 1):
                level = blocks[mic, : len(row), band]
                live: Mask = np.asarray(np.isfinite(level))
                at = np.clip(np.round(level[live] - self.lowest_db), 0, self.floors - 1)
                cell = (row[live] * len(FREE) + kind[live]) * self.floors + at.astype(np.int64)
                counts = np.bincount(cell, minlength=self.steps * len(table))
                counts = counts.reshape(self.steps, -1).astype(np.float32)
                self.total[mic, band, :, 1:] = np.cumsum(table.T @ counts.T, axis=1)
                self.number[mic, band, 1:] = np.cumsum(counts.sum(axis=1))

    def sides(
        self, at: Indices, first: int, end: int
    ) -> Iterator[tuple[int, int, Floats, Floats, Mask]]:
        """Yield microphone, band, whether it is known, and how likely each side is.

        For each moment; likelihoods are ``(floors, moments)``.
        """
        low, high = np.maximum(at - SIDE_STEPS, first), np.minimum(at + SIDE_STEPS, end)
        for mic, band in np.ndindex(self.total.shape[:2]):
            number, total = self.number[mic, band], self.total[mic, band]
            least = np.minimum(number[at] - number[low], number[high] - number[at])
            now = total[:, at]
            yield mic, band, now - total[:, low], total[:, high] - now, least >= LEAST_BLOCKS

    def likelihood(self, at: Indices, first: int, end: int) -> _Likelihood:
        """Return by how much a gain is likelier than the room alone at each moment.

        Only where any two backgrounds would be by as much as counts.
        """
        nothing = np.full(len(at), -np.inf), *np.zeros((2, len(at)))
        told = _Likelihood(*nothing, *np.zeros((2, len(at)), np.int64))
        one, two = self._backgrounds(at, first, end)
        worth = two - one >= LEAST_NEPERS
        if worth.any():
            told.put(worth, _of_gain(self._by_step(at[worth], first, end), two[worth]))
        return told

    def _backgrounds(self, at: Indices, first: int, end: int) -> tuple[Powers, Powers]:
        """Return how likely all is from one background in each band, and from any two."""
        one, two = np.zeros((2, len(at)))
        for _, _, before, after, known in self.sides(at, first, end):
            one += np.where(known, (before + after).max(axis=0), 0.0)
            two += np.where(known, before.max(axis=0) + after.max(axis=0), 0.0)
        return one / ALIKE_BANDS, two / ALIKE_BANDS

    def _by_step(self, at: Indices, first: int, end: int) -> Floats:
        """Return how likely each band's levels are if it steps by so many dB, see `_of_gain`."""
        most = MOST_DB + MOST_ROOM_DB
        shape = 2, self.total.shape[1], 2 * most + 1, len(at)
        best = np.full(shape, IMPOSSIBLE, np.float32)
        for mic, band, before, after, known in self.sides(at, first, end):
            for k, by_db in enumerate(range(-most, most + 1)):
                low, high = max(-by_db, 0), self.floors - max(by_db, 0)
                if low < high:
                    both = before[low:high] + after[low + by_db : high + by_db]
                    best[mic, band, k] = both.max(axis=0)
            best[mic, band, :, ~known] = 0.0
        best /= ALIKE_BANDS
        return best


def _of_gain(best: Floats, two: Powers) -> _Likelihood:
    """Hold gains of either microphone against what the room does alone.

    ``two``: how likely all is if every band steps by whatever it likes, ``(moments,)``.
    ``best``: how likely each band's levels are if it steps by so many dB, at its likeliest
    background, ``(2, bands, 2 * (MOST_DB + MOST_ROOM_DB) + 1, moments)``.
    """
    room = np.abs(np.arange(-MOST_ROOM_DB, MOST_ROOM_DB + 1)).astype(np.float32)[:, None] / ROOM_DB
    wide = len(room)
    gains = np.arange(-MOST_DB, MOST_DB + 1)
    is_gain = np.abs(gains) >= LEAST_DB
    each = np.arange(best.shape[3])
    told = []
    for mic in (0, 1):
        other = best[1 - mic, :, MOST_DB : MOST_DB + wide] - room
        likely = np.stack(
            [
                (best[mic, :, k : k + wide] + other).max(axis=1).sum(axis=0)
                for k in range(len(gains))
            ]
        )
        alone = likely[MOST_DB].copy()
        unlike = two - alone
        likely -= alone
        likely[~is_gain] = -np.inf
        k = np.argmax(likely, axis=0)
        told.append((likely[k, each], likely[k, each] / np.maximum(unlike, 1e-6), gains[k]))
    nepers, share, by_db = (np.stack(rows) for rows in zip(*told, strict=True))
    mic = np.argmax(nepers, axis=0)
    return _Likelihood(
        nepers[mic, each], np.ptp(nepers, axis=0), share[mic, each], mic, by_db[mic, each]
    )


def _dated(
    scan: _Scan,
    likely: _Likelihood,
    best: int,
    where: tuple[int, int, int],
    masks: tuple[Mask, Mask],
) -> GainRise:
    """Date a gain's step by its microphone's likeliest backgrounds before and after it."""
    step, first, end = where
    mic, by_db = int(likely.mic[best]), float(likely.by_db[best])
    floors = np.full((1, scan.blocks.shape[2]), np.nan)
    shift = int(by_db)
    for one, band, before, after, known in scan.sides(np.array([step]), first, end):
        if one == mic and known[0]:
            low, high = max(-shift, 0), scan.floors - max(shift, 0)
            both = before[low:high, 0] + after[low + shift : high + shift, 0]
            floors[0, band] = scan.lowest_db + low + int(np.argmax(both))
    span = step * STEP - NEAR, step * STEP + NEAR
    at, early, late = moment(scan.blocks[mic : mic + 1], floors, floors + by_db, span, *masks)
    told = (float(row[best]) for row in (likely.nepers, likely.plainly, likely.share))
    return GainRise(mic, at, early, late, by_db, *told)
