"""Runs of equal neighbouring samples, found once for the meters that need them.

A run is two or more consecutive samples of one value. Clipped tops are short runs at a peak; a
dropout is a long run of zeros or of a held value.
"""

from typing import NamedTuple

import numpy as np

from dualmic.tiles import Floats, Indices, Mask


class Runs(NamedTuple):
    """Runs in a row of samples: first index, length in samples, and the value held."""

    start: Indices
    length: Indices
    value: Floats

    def where(self, chosen: Mask) -> "Runs":
        """Return some of the runs, ``chosen`` ``(runs,)``."""
        return Runs(self.start[chosen], self.length[chosen], self.value[chosen])


def flat_runs(row: Floats, least: int) -> Runs:
    """Return the runs of at least ``least`` equal samples (2 or more) in ``row``."""
    same = row[1:] == row[:-1]
    # Where three are equal, two neighbouring pairs are: single pairs are left out at once.
    pairs = 1 if least == 2 else 2
    at = np.flatnonzero(same if pairs == 1 else same[1:] & same[:-1])
    if not len(at):
        return Runs(np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0, np.float32))
    breaks = np.flatnonzero(at[1:] - at[:-1] > 1)
    starts = at[np.concatenate([[0], breaks + 1])]
    length = at[np.concatenate([breaks, [len(at) - 1]])] - starts + pairs + 1
    long = length >= least
    return Runs(starts[long], length[long], row[starts[long]])
