"""Running sums of a row of levels, so that the means beside any moment cost nothing."""

import numpy as np

from dualmic.findings.base import BLOCKS_PER_S
from dualmic.tiles import Powers

# All our choices, tuned on simulated scenes.
SIDE = 9 * BLOCKS_PER_S  # of sound on either side that is compared
LEAST_BLOCKS = 4  # of a class on either side, else it says nothing
CLASS_ERROR_DB = 0.6  # what a class's mean may be off by besides chance
OUTLIER_DB = 12.0


class Sums:
    """Means of a row over any stretch, from its running sums; NaN are left out."""

    def __init__(self, row: Powers) -> None:
        live = np.isfinite(row)
        usual = float(np.median(row[live])) if live.any() else 0.0
        near = np.clip(np.where(live, row - usual, 0.0), -OUTLIER_DB, OUTLIER_DB)
        self.usual = usual
        self._number = np.concatenate([[0], np.cumsum(live)])
        self._total = np.concatenate([[0.0], np.cumsum(near)])
        self._square = np.concatenate([[0.0], np.cumsum(near**2)])

    def over(self, low: np.ndarray, high: np.ndarray) -> tuple[Powers, Powers, Powers]:
        """Return how many, mean and variance between blocks."""
        number = self._number[high] - self._number[low]
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = (self._total[high] - self._total[low]) / number
            spread = (self._square[high] - self._square[low]) / number - mean**2
        return number, mean + self.usual, np.maximum(spread, 0.0)

    def borne_out(self, at: np.ndarray, first: int, end: int) -> Powers:
        """Return how much of the row's variance a step at each moment explains."""
        first, end = max(first, 0), min(end, len(self._number) - 1)
        n0, m0, _ = self.over(np.maximum(at - SIDE, first), at)
        n1, m1, _ = self.over(at, np.minimum(at + SIDE, end))
        known = (n0 >= LEAST_BLOCKS) & (n1 >= LEAST_BLOCKS)
        explained = np.nan_to_num((m1 - m0) ** 2) * n0 * n1 / np.maximum(n0 + n1, 1)
        return np.where(known, explained, 0.0)

    def shift(self, at: np.ndarray, first: int, end: int) -> Powers:
        """Return ``(2, moments)``: mean after less mean before, and its error; NaN if unknown."""
        first, end = max(first, 0), min(end, len(self._number) - 1)
        n0, m0, v0 = self.over(np.maximum(at - SIDE, first), at)
        n1, m1, v1 = self.over(at, np.minimum(at + SIDE, end))
        known = (n0 >= LEAST_BLOCKS) & (n1 >= LEAST_BLOCKS)
        with np.errstate(invalid="ignore", divide="ignore"):
            # Neighbouring blocks say nearly the same: a quarter of them count.
            error = np.sqrt(CLASS_ERROR_DB**2 + 4 * (v0 / n0 + v1 / n1))
            return np.where(known, np.stack([m1 - m0, error]), np.nan)

    def spread(self, at: np.ndarray, first: int, end: int) -> Powers:
        """Return how far the row spreads on that side of each moment where it does so more."""
        first, end = max(first, 0), min(end, len(self._number) - 1)
        sides = (np.maximum(at - SIDE, first), at), (at, np.minimum(at + SIDE, end))
        both = [np.nan_to_num(self.over(low, high)[2]) for low, high in sides]
        return np.asarray(np.sqrt(np.maximum(both[0], both[1])))


class BandSums:
    """Means of several bands' rows: by how much all of them shift, each against itself.

    Bands that say nothing on a side are left out, whatever their level: only shifts count.
    """

    def __init__(self, rows: Powers) -> None:
        """``rows`` is ``(bands, blocks)``, NaN where a band says nothing."""
        self.rows = [Sums(row) for row in rows]

    def borne_out(self, at: np.ndarray, first: int, end: int) -> Powers:
        """Return how much of a band's variance a step at each moment explains, in the mean."""
        return np.mean([row.borne_out(at, first, end) for row in self.rows], axis=0)

    def shift(self, at: np.ndarray, first: int, end: int) -> Powers:
        """Return ``(2, moments)``: the bands' shift and its error; NaN if no band knows it.

        Bands hold the same words: they are no more certain together than each alone.
        """
        shift, error = np.stack([row.shift(at, first, end) for row in self.rows], axis=1)
        weight = np.where(np.isfinite(shift), 1 / error**2, 0.0)
        total = weight.sum(axis=0)
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = (weight * np.nan_to_num(shift)).sum(axis=0) / total
            known = np.isfinite(shift).sum(axis=0)
            return np.where(total > 0, np.stack([mean, np.sqrt(known / total)]), np.nan)
