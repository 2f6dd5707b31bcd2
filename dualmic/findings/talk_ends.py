"""From when to when two people talk at once, once it is known that they do.

Of two voices the weaker one falls under the other now and then, mostly as it ends, and a leak may
pass for its hearer's own words for a while. So a stretch does not end where both were heard last:
it is the one that has most evidence for it, cell by cell.
"""

import numpy as np

from dualmic.hearing import Hearing
from dualmic.meters.bands import voice_power
from dualmic.meters.masks import moving_mean
from dualmic.meters.two_voices import some_cells
from dualmic.tiles import Mask, Powers, power_db

# Odds in nepers that both go on talking, fitted to 1047 stretches of simulated takes: for both
# being heard within a second and a half, for the interviewer's share of a third of a second, and
# for each decibel of the microphone that stands lower beside its wearer's usual level; less this.
HEARD, ASKING, PER_DB, LESS = 2.5, 3.4, 0.13, 3.1
AROUND_CELLS, SMOOTH_CELLS, SYLLABLE_CELLS = 300, 5, 31
LOWEST_DB, HIGHEST_DB = -25.0, 10.0  # beside the usual level; more says no more
MOST = 6.0  # nepers: one cell is not to outweigh a word
SHORTEST_S = 0.2  # our choice: what both say for less may be the tail of a word


class TalkEnds:
    """Tells when talk at once begins and ends."""

    def __init__(self, hearing: Hearing, together: Mask, heard: Mask) -> None:
        """Both are heard at once in ``together``, in ``heard`` with pauses; ``(cells,)`` each."""
        self._bands_db, self._together, self._heard = hearing.bands_db, together, heard
        self.cells = len(together)
        self._asking = hearing.activity.own[0]
        self._usual_db = [self._usual(m, hearing.activity.single[m]) for m in (0, 1)]

    def span(self, first: int, last: int, low: int, high: int) -> tuple[int, int]:
        """Return the first cell and the one after the last of what both say.

        Args:
            first: where both are heard at first,
            last: and past where they are at last.
            low: no earlier than here,
            high: and no later, for others are told there.

        """
        at = first + np.flatnonzero(self._together[first:last])
        left_out = min(round(SHORTEST_S * 100), len(at) // 4)  # at each end, no more
        latest_start, earliest_end = int(at[left_out]), int(at[-1 - left_out]) + 1
        low, high = max(first - AROUND_CELLS, low), min(last + AROUND_CELLS, high)
        total = np.concatenate([[0.0], np.cumsum(self._odds(low, high))])
        start = low + int(total[: latest_start - low + 1].argmin())
        return start, earliest_end + int(total[earliest_end - low :].argmax())

    def _odds(self, low: int, high: int) -> Powers:
        wide = slice(max(low - SYLLABLE_CELLS, 0), high + SYLLABLE_CELLS)
        inside = slice(low - wide.start, high - wide.start)
        asking = moving_mean(self._asking[wide].astype(np.float32), SYLLABLE_CELLS)
        lowest = np.min([self._over_db(m, wide) for m in (0, 1)], axis=0)
        odds = HEARD * self._heard[low:high] + ASKING * asking[inside] + PER_DB * lowest[inside]
        return np.clip(odds - LESS, -MOST, MOST)

    def _over_db(self, m: int, wide: slice) -> Powers:
        level_db = _level_db(self._bands_db[m, wide]) - self._usual_db[m]
        over_db = np.clip(moving_mean(level_db, SYLLABLE_CELLS), LOWEST_DB, HIGHEST_DB)
        return np.nan_to_num(over_db, nan=0.0)  # who is never heard alone has no usual level

    def _usual(self, m: int, single: Mask) -> float:
        if not single.any():
            return np.nan
        return float(np.median(_level_db(self._bands_db[m, some_cells(single)])))


def _level_db(bands_db: np.ndarray) -> Powers:
    return power_db(voice_power(bands_db, smooth_cells=SMOOTH_CELLS))
