"""Whose voice fills how much of the spectrum: what tells two people at once from one.

What phase each tone of a voice has between the microphones is learnt where one person surely
speaks alone; then each moment's tones are parted into the two people's. A lone voice leaves next to
nothing to the other; two at once share. Neither gains nor the loudness of the leak matter; where
phases tell nothing (a leak under the noise, somebody who walks about), a lone voice seems shared,
too, and nothing is said.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from dualmic.meters.masks import runs_of, widened
from dualmic.meters.phases import NOTHING, PER_S, STEPS, TONES_EACH
from dualmic.stack import pieces, room
from dualmic.tiles import CELLS_PER_S, Floats, Mask, Powers

CELLS_EACH = CELLS_PER_S // PER_S
# All our choices.
LEAST_MOMENTS = 30  # of each person alone, three seconds
NEIGHBOURS = 9  # tones that say together how steady a phase is
KNOWN = 10.0  # tones heard of a frequency before it is believed by itself
STEADIEST = 0.95  # mean cosine: in a room no phase is steadier
OUTLIERS = 0.1  # of a voice's tones have any phase
LEAST_TONES = 10  # that a moment has to have
TWICE_SHARE, TWICE_STEPS = 0.9, 1  # of tones so near to no phase: one microphone recorded twice
ROUNDS = 15  # of learning which share of a lone voice's tones seems to be the other's
LARGEST_STRAY = 0.3  # where it is more, phases do not tell
# Odds by which a lone voice has to look like its own wearer's, in the mean: in 159 takes 0.75 and
# more, 0.3 at the most of voices that leak with one delay, as through a cable.
LEAST_ALIKE = 0.5
# Of two at once each has so much more than a lone voice leaves to the other.
MORE, STEPS_BETWEEN = 0.12, 8
# Tones and moments overlap: each counts as a part of a witness. A second voice begins, and one
# follows the other, only if all of them together outweigh these logarithms of odds.
WITNESS, BEGINS, FOLLOWS = 0.15, 4.0, 3.0
# What it takes to overrule levels. Said to be the other's alone, and it is this voice: in simulated
# interviews 2089 cells of 2104. Said to be both, and it is one: 329, where 18 were not. With
# less, more words are lost of two who talk at once.
SURELY_NOT_THEIRS, SURELY_ONE = 10.0, 3.0
MOST_OF_SINGLE = 0.1  # two voices where one surely is: nothing is told
_TOGETHER = 6000  # moments, ten minutes, of no influence on results
_FIRST, _SECOND, _BOTH, _OTHER = range(4)
_COSTS = FOLLOWS, FOLLOWS, BEGINS, BEGINS


@dataclass(frozen=True)
class Shares:
    """Whose voice fills the spectrum.

    ``at_once`` ``(cells,)``: where both do. ``course`` ``(moments,)``: the first voice alone (0),
    the second (1), both, other sound; ``fits`` ``(moments, 4)``: how well each of them fits each
    moment (logarithms of odds).
    """

    at_once: Mask
    course: np.ndarray
    fits: Floats

    def settled(self, own: Mask) -> Mask:
        """Return ``own`` ``(2, cells)``, each stretch left to whose voice surely is all there is.

        Levels mistake who turned round, and in a loud place a leak for its hearer's own voice.
        """
        own = own.copy()
        for m in (0, 1):
            filled = _by_cell(self.course == m, own.shape[1])
            theirs = own[1 - m] & ~own[m] & filled
            self._give(own, theirs, m, 1 - m, SURELY_NOT_THEIRS)
            self._give(own, own[0] & own[1] & ~self.at_once, m, _BOTH, SURELY_ONE)
        return own

    def _give(self, own: Mask, said: Mask, m: int, otherwise: int, least: float) -> None:
        for start, end in zip(*runs_of(said), strict=True):
            first, last = ((cell + CELLS_EACH // 2) // CELLS_EACH for cell in (start, end - 1))
            fits = self.fits[first : last + 1].sum(axis=0, dtype=np.float64)
            if fits[m] - fits[otherwise] > least:
                own[m, start:end], own[1 - m, start:end] = True, False


def find_shares(codes: np.ndarray, own: Mask, alone: Mask) -> Shares | None:
    """Find whose voice fills the spectrum, None if phases do not tell.

    Args:
        codes: :meth:`dualmic.meters.phases.PhaseMeter.result`.
        own: where each microphone's wearer seems to speak, ``(2, cells)``.
        alone: where one of them surely speaks alone, ``(2, cells)``.

    """
    cells = own.shape[1]
    if not len(codes):
        return None
    middle = np.minimum(np.arange(len(codes)) * CELLS_EACH, cells - 1)
    live = (own[0] | own[1])[middle]
    live &= np.concatenate([_tells(codes[part]) for part in _parts(codes)])
    single = np.stack([widened(mask[middle], -1, -1) & live for mask in alone])
    if single.sum(axis=1).min() < LEAST_MOMENTS:
        return None
    counts = [_counts(codes, mask) for mask in single]
    first, second = (_likely(count) for count in counts)
    odds = second / first
    strays = _stray(counts[0], odds), _stray(counts[1], 1 / odds)
    if max(strays) > LARGEST_STRAY:
        return None
    fits = _evidence(codes, live, (first, second), strays)
    for m in (0, 1):
        own, others = fits[single[m], m], fits[single[m], 1 - m]
        if (own - others).mean(dtype=np.float64) < LEAST_ALIKE:
            return None
    course = _most_likely(fits)
    both = (course == _BOTH) & live
    if both[single[0] | single[1]].mean() > MOST_OF_SINGLE:
        return None
    return Shares(_by_cell(both, cells), course, fits)


def _parts(codes: np.ndarray) -> Iterator[slice]:
    return pieces(len(codes), _TOGETHER)


def _tells(codes: np.ndarray) -> Mask:
    """Return the moments with enough tones, and of two microphones."""
    heard = codes != NOTHING
    tones = heard.sum(axis=1)
    phase = codes.astype(np.int16) % STEPS
    level = heard & ((phase <= TWICE_STEPS) | (phase >= STEPS - TWICE_STEPS))
    told: Mask = (tones >= LEAST_TONES) & (level.sum(axis=1) < TWICE_SHARE * tones)
    return told


def _counts(codes: np.ndarray, single: Mask) -> np.ndarray:
    """Return how often each code comes in each band while one person speaks, ``(bands, 256)``."""
    bands = codes.shape[1]
    total = np.zeros(256 * bands, np.int64)
    for part in _parts(codes):
        heard = codes[part][single[part]] + 256 * np.arange(bands)
        total += np.bincount(heard.ravel(), minlength=256 * bands)
    return total.reshape(bands, 256)


def _stray(counts: np.ndarray, odds: Floats | Powers) -> float:
    """Return which share of a lone voice's tones seems to be the other's."""
    told = counts.copy()
    told[:, NOTHING] = 0
    share = MORE
    for _ in range(ROUNDS):
        theirs = share * odds.astype(np.float64)
        share = float((told * (theirs / (theirs + (1 - share)))).sum() / max(told.sum(), 1))
    return share


def _evidence(
    codes: np.ndarray, live: Mask, likely: tuple[Floats, Floats], strays: tuple[float, float]
) -> Floats:
    """Return how well each moment fits the first voice alone, the second, both, other sound.

    ``(moments, 4)``; moments that are not ``live`` fit all alike, and other sound has any phase.
    """
    fits = room((len(codes), len(_COSTS)), np.float32)
    bands = np.arange(codes.shape[1])
    between = np.linspace(min(strays[0] + MORE, 0.5), max(1 - strays[1] - MORE, 0.5), STEPS_BETWEEN)
    for part in _parts(codes):
        at = part.start + np.flatnonzero(live[part])
        one, two = (each[bands, codes[at]] for each in likely)
        more = two - one

        def fit(share: float, one: Floats = one, more: Floats = more) -> Floats:
            """Say how well that share of the second voice does."""
            fits: Floats = np.log(one + np.float32(share) * more).sum(axis=1)
            return fits

        fits[at, _FIRST], fits[at, _SECOND] = fit(strays[0]), fit(1 - strays[1])
        mixed = np.stack([fit(float(share)) for share in between])
        top = mixed.max(axis=0)
        fits[at, _BOTH] = top + np.log(np.exp(mixed - top).mean(axis=0))
    fits *= np.float32(WITNESS)
    return fits


def _most_likely(fits: Floats) -> np.ndarray:
    """Return who speaks at each moment: the course that fits best, changes counted against it."""
    before = np.zeros((len(fits), len(_COSTS)), np.uint8)
    ends = [0.0] * len(_COSTS)
    moments = (fit for part in _parts(fits) for fit in fits[part].tolist())
    for moment, fit in enumerate(moments):
        best = max(ends)
        who = ends.index(best)
        passing = _BOTH if ends[_BOTH] >= ends[_OTHER] else _OTHER  # which end for nothing
        after = []
        for here, (stays, cost) in enumerate(zip(ends, _COSTS, strict=True)):
            came, lead = here, stays
            if best - cost > lead:
                came, lead = who, best - cost
            if here in (_FIRST, _SECOND) and ends[passing] > lead:
                came, lead = passing, ends[passing]
            before[moment, here] = came
            after.append(lead + fit[here])
        ends = after
    course = np.empty(len(fits), np.uint8)
    last = ends.index(max(ends))
    for moment in range(len(fits) - 1, -1, -1):
        course[moment] = last
        last = before[moment, last]
    return course


def _likely(counts: np.ndarray) -> Floats:
    """Return how likely each code of each band is, of their ``(bands, 256)`` counts."""
    bands = len(counts)
    counts = counts[:, : TONES_EACH * STEPS].reshape(bands * TONES_EACH, STEPS)
    turn = np.exp(2j * np.pi * np.arange(STEPS) / STEPS)
    number = counts.sum(axis=1)
    total = counts @ turn
    # What fits itself fits too well by the square root of how many there are.
    fits = np.abs(total) - 0.8 * np.sqrt(number)
    around = np.ones(NEIGHBOURS)
    usual = (np.convolve(fits, around, "same") + KNOWN * fits.sum() / max(number.sum(), 1)) / (
        np.convolve(number, around, "same") + KNOWN
    )
    steady = (fits + KNOWN * usual) / (number + KNOWN)
    steady = np.clip(steady, 0.01, STEADIEST)[:, None]
    peaked = steady * (2 - steady**2) / (1 - steady**2)  # von Mises, to the second order
    shape = np.exp(peaked * (np.cos(np.angle(turn)[None] - np.angle(total)[:, None]) - 1))
    shape *= STEPS / shape.sum(axis=1, keepdims=True)
    likely = np.ones((bands, 256))
    shape = (1 - OUTLIERS) * shape + OUTLIERS
    likely[:, : TONES_EACH * STEPS] = shape.reshape(bands, TONES_EACH * STEPS)
    return likely.astype(np.float32)


def _by_cell(moments: Mask, cells: int) -> Mask:
    wide = np.repeat(moments, CELLS_EACH)[CELLS_EACH // 2 :][:cells]
    return np.concatenate([wide, np.zeros(cells - len(wide), bool)])
