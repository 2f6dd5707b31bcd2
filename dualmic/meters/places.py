"""Whose voice arrives: two people sit in two places, and each place has its own time difference.

A link's latency moves both people's differences alike, so what counts is which of the two is the
larger: a voice reaches its own wearer's microphone sooner than the other's. Levels name the two
people no better in a take in which gains are turned or set themselves, or in which somebody turns
round; there the time differences stay. Where none stands out (no leak above the noise, both
microphones in one place), nothing is said.
"""

from dataclasses import dataclass

import numpy as np

from dualmic.meters.arrivals import PER_S
from dualmic.meters.masks import bridged, holding, longer, moving_mean, widened
from dualmic.stack import let_go
from dualmic.tiles import CELLS_PER_S, Floats, Indices, Mask

CELLS_EACH = CELLS_PER_S // PER_S
# Our choices. Of sounds that have nothing in common the highest of all peaks is about as high as
# this; near any one place there hardly ever is one.
LEAST_HEIGHT = 0.14
UNSHARED = 0.95  # a voice whose peak is as high as usual has no other beside it
CLEARLY = 1.7  # times as high as the other's
PREVAILS = 5  # moments: a syllable or two
OTHERS_DB = 4.0  # beyond the level differences of one place lies somebody else's voice
# Undisturbed: a peak nearly as high as it usually is, and the other's not within 0.4 s.
AS_USUAL, BESIDE_CELLS = 0.8, 40
# Times what the other voice alone shows at one's place but for a twentieth of the time.
OVER_STRAY, STRAY_PERCENTILE = 1.2, 95
# Syllables of two people alternate; both voices last for 0.4 s at least, less the averaging.
TOGETHER_BRIDGE_CELLS, TOGETHER_CELLS, TURN_CELLS = 30, 40, 10
# A place that stands so high shows in every half second of its wearer's speech, by that share of
# its usual height; noise shows anywhere now and then, less high.
SHOWS_HEIGHT, SHOWS_SHARE, SEEN_CELLS, UNSEEN_CELLS = 0.3, 0.9, 25, 40
SEEN_SHARE = 0.4
# Words that were seen go on unseen under the other's for a second and a half at most, our choice:
# what lasts longer began with them by chance.
COVERED_CELLS, UNCOVERED_SHARE = 150, 0.1
# Where a voice alone stands out so clearly, it does so in part of any second of two voices, too.
CLEAR_HEIGHT, FILLED, EMPTY = 0.5, 0.7, 0.03


@dataclass(frozen=True)
class Places:
    """Where people are: ``lags_ms`` by microphone, the second microphone's delay; None for nobody.

    Who moves has several; ``lags_ms`` is where they are most. ``moments`` ``(2, 2, moments)``: how
    high the peak of each wearer's places stands at each tenth of a second, and the highest peak
    that they could make who lean to and fro. ``levels_tell``: each is louder in their own
    microphone; if not, only these places say who speaks.
    """

    lags_ms: tuple[float | None, float | None]
    moments: Floats
    cells: int
    levels_tell: bool = True

    def alone(self) -> Mask:
        """Return where one person's place stands out and the other's does not, ``(2, cells)``."""
        return self._by_cell(self._alone())

    def elsewhere(self, difference_db: Floats, active: Mask) -> Mask:
        """Return where somebody without a known place speaks, if one is known, ``(2, cells)``.

        There the known place does not show, and the level difference is none it ever has.
        """
        found = np.zeros((2, self.cells), bool)
        for m in (0, 1):
            here = active & self._by_cell(self.moments[0, m] > LEAST_HEIGHT)
            if self.lags_ms[1 - m] is not None or not here.any():
                continue
            low, high = np.percentile(difference_db[here], [5, 95])
            beyond = difference_db < low - OTHERS_DB if m == 0 else difference_db > high + OTHERS_DB
            found[1 - m] = active & ~here & beyond
        return found

    def prevailing(self) -> Mask:
        """Return whose place shows more, each cell given to one person, ``(2, cells)``."""
        heights = np.stack([moving_mean(row, PREVAILS) for row in self.moments[0]])
        ahead = np.sign(heights[0] - heights[1])
        # Where neither shows, whoever did last goes on.
        last = np.maximum.accumulate(np.where(ahead != 0, np.arange(len(ahead)), 0))
        first = self._by_cell(ahead[last] > 0)
        return np.stack([first, ~first])

    def undisturbed(self) -> Mask:
        """Return where surely nobody else speaks, ``(2, cells)``.

        A second voice lowers the first one's peak, and wherever it prevails shows its own.
        """
        single = self._alone()
        found = []
        for m in (0, 1):
            clear = single[m] & (self.moments[0, m] > AS_USUAL * self._usual(m))
            beside = widened(self._by_cell(single[1 - m]), BESIDE_CELLS, BESIDE_CELLS)
            found.append(self._by_cell(clear) & ~beside)
        return np.stack(found)

    def together(self) -> Mask:
        """Return where both places stand out at once, ``(cells,)``: two people talk.

        As one ends and the other begins both are within a third of a second: that is left out.
        """
        undisturbed = self.undisturbed()
        both = np.ones(self.cells, bool)
        for m in (0, 1):
            height, other = self.moments[0, m], undisturbed[1 - m]
            if not other.any():
                return np.zeros(self.cells, bool)
            # What a reflection or a side lobe of the other voice shows there is none of theirs.
            beside = np.repeat(height, self._cells_each(other))
            usual = np.percentile(beside, STRAY_PERCENTILE, overwrite_input=True)
            del beside
            let_go()
            stray = OVER_STRAY * float(usual)
            shown = (height > max(LEAST_HEIGHT, stray)) & (height < UNSHARED * self._usual(m))
            both &= self._by_cell(shown)
        both = longer(bridged(both, TOGETHER_BRIDGE_CELLS), TOGETHER_CELLS)
        return widened(both, -TURN_CELLS, -TURN_CELLS)

    def unseen(self, own: Mask, loud: Mask) -> Mask:
        """Return what of seeming speech never shows its wearer's place, ``(2, cells)``.

        It is a background that swells, wind or cloth. That is said only of people whose place
        shows wherever they surely speak, so not of those whose leak lies under the noise.
        """
        found = np.zeros_like(own)
        usual = [self._usual(m) for m in (0, 1)]
        shown = [self.moments[1, m] > max(LEAST_HEIGHT, SEEN_SHARE * usual[m]) for m in (0, 1)]
        seen = [widened(self._by_cell(row), SEEN_CELLS, SEEN_CELLS) for row in shown]
        for m in (0, 1):
            sure = own[m] & ~own[1 - m] & loud
            if usual[m] <= SHOWS_HEIGHT or not sure.any():
                continue
            if seen[m][sure].mean() > SHOWS_SHARE:
                unseen = longer(own[m] & ~seen[m], UNSEEN_CELLS)
                found[m] = unseen & ~_covered(unseen, own[m], own[1 - m] & seen[1 - m])
        return found

    def only(self, start: int, end: int, held: Mask) -> int | None:
        """Return whose place alone stands out in a stretch that two microphones hear as theirs.

        Args:
            start: first cell.
            end: past the last cell.
            held: ``(end - start,)``, the cells that count.

        """
        at = self._moment_of(np.arange(start, end)[held])
        shares = (self.moments[0][:, at] > LEAST_HEIGHT).mean(axis=1)
        for m in (0, 1):
            clear = self._usual(1 - m) > CLEAR_HEIGHT
            if clear and shares[m] > FILLED and shares[1 - m] < EMPTY:
                return m
        return None

    def _alone(self) -> Mask:
        heights = self.moments[0]
        alone: Mask = (heights > LEAST_HEIGHT) & (heights > CLEARLY * heights[::-1])
        return alone

    def _usual(self, mic: int) -> float:
        """Return how high a wearer's place stands in the middle of the moments it stands alone."""
        heights = self.moments[0, mic][self._alone()[mic]]
        return float(np.median(heights)) if len(heights) else 0.0

    def _moment_of(self, cells: Indices) -> Indices:
        """Return the moment nearest to each cell."""
        last = self.moments.shape[2] - 1
        nearest: Indices = np.minimum((cells + CELLS_EACH // 2) // CELLS_EACH, last)
        return nearest

    def _cells_each(self, mask: Mask) -> np.ndarray:
        """Return how many cells of a mask each moment is the nearest to, ``(moments,)``."""
        starts = np.arange(self.moments.shape[2]) * CELLS_EACH - CELLS_EACH // 2
        # In bytes: a moment has ten cells or some more, and nothing as long as the take is cast.
        return np.add.reduceat(mask.view(np.uint8), np.maximum(starts, 0), dtype=np.uint8)

    def _by_cell(self, rows: np.ndarray) -> np.ndarray:
        """Give each cell what its nearest moment holds, along the last axis."""
        wide = np.repeat(rows, CELLS_EACH, axis=-1)[..., CELLS_EACH // 2 :][..., : self.cells]
        short = self.cells - wide.shape[-1]
        if not short:
            return wide
        return np.concatenate([wide, rows[..., -1:].repeat(short, axis=-1)], axis=-1)


def _covered(unseen: Mask, own: Mask, other: Mask) -> Mask:
    """Return what goes on from seen words, or leads to them, while the ``other``'s place shows."""
    short = unseen & ~longer(unseen, COVERED_CELLS + 1)
    beside = holding(short, widened(own & ~unseen, 1, 1))
    return beside & ~holding(beside, ~other, UNCOVERED_SHARE)
