"""Whose voice arrives: two people sit in two places, and each place has its own time difference.

A link's latency moves both people's differences alike, so what counts is which of the two is the
larger: a voice reaches its own wearer's microphone sooner than the other's. Levels name the two
people no better in a take in which gains are turned or set themselves, or in which somebody turns
round; there the time differences stay. Where none stands out (no leak above the noise, both
microphones in one place), nothing is said.
"""

from dataclasses import dataclass

import numpy as np

from dualmic.meters.arrivals import PER_S, STEPS_PER_MS
from dualmic.meters.masks import bridged, longer, moving_mean, widened
from dualmic.meters.positions import (
    FARTHEST_MS,
    MOVED_MS,
    NEAR_MS,
    Candidate,
    candidates,
    two_people,
)
from dualmic.stack import let_go, pieces, room
from dualmic.tiles import CELLS_PER_S, Floats, Indices, Mask

CELLS_EACH = CELLS_PER_S // PER_S
# Our choices. Of sounds that have nothing in common the highest of all peaks is about as high as
# this; near any one place there hardly ever is one.
LEAST_HEIGHT = 0.14
SAME_SIGNAL = 0.97  # as high, and with no delay at all: both channels hold one signal
LEAN_MS = 1.0  # and who leans far over, a third of a metre
UNSHARED = 0.95  # a voice whose peak is as high as usual has no other beside it
TWIN_MS, TWIN_HEIGHT = 0.25, 0.7  # twins lie as far on either side, about as high
_TOGETHER = 36_000  # moments, an hour of them, of no influence on results
CLEARLY = 1.7  # times as high as the other's
ONLY_SHARE = 0.8  # of all moments with sound that the only place that shows has to fill
OF_NOISE = 4.0  # times as often as where somebody is loud: of people's places 1.1 at the most
BESIDE_SHARE = 0.5  # of a reflection's moments, in which the place it belongs to shows, too
PART_SHARE, NEVER_SHARE = 0.15, 0.1  # of all moments; of one's, in which the other's place shows
PREVAILS = 5  # moments: a syllable or two
MOSTLY, LEAST_TURNS = 0.5, 3  # of those; how often the voice goes from one place to the other
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
        for m in (0, 1):
            usual = self._usual(m)
            sure = own[m] & ~own[1 - m] & loud
            if usual <= SHOWS_HEIGHT or not sure.any():
                continue
            shown = self._by_cell(self.moments[1, m] > max(LEAST_HEIGHT, SEEN_SHARE * usual))
            seen = widened(shown, SEEN_CELLS, SEEN_CELLS)
            if seen[sure].mean() > SHOWS_SHARE:
                found[m] = longer(own[m] & ~seen, UNSEEN_CELLS)
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


def find_places(
    arrivals: Floats, difference_db: Floats, active: Mask, loud: Mask, noise_apart_db: float
) -> Places | None:
    """Find the two people's places, or the only one that is ever heard; None if unclear.

    Args:
        arrivals: :meth:`dualmic.meters.arrivals.ArrivalMeter.result`.
        difference_db: level difference first over second microphone, by cell.
        active: the cells that stand over the noise in either microphone.
        loud: those among them that are worth looking at.
        noise_apart_db: how much noisier the first microphone is than the second.

    """
    middle = np.minimum(np.arange(len(arrivals)) * CELLS_EACH, len(loud) - 1)
    lag, height = (arrivals[:, 0, k].astype(np.float32) for k in (0, 1))
    same = (height > SAME_SIGNAL) & (np.abs(lag) < 1 / STEPS_PER_MS)
    heard = (height > LEAST_HEIGHT) & ~same
    apart_db = difference_db[middle]
    clear, faint = (
        candidates(lag[votes], height[votes], apart_db[votes])
        for votes in (heard & loud[middle], heard)
    )
    quiet = ~active[middle]

    def gathered(found: Candidate) -> Mask:
        """Return the moments at which a place stands out most."""
        near: Mask = (height > LEAST_HEIGHT) & (np.abs(lag - found.lag_ms) < NEAR_MS)
        return near

    # What stands out far more often where nobody is heard is the place of the background.
    clear = [
        found
        for found in clear
        if _share(gathered(found), quiet) <= OF_NOISE * _share(gathered(found), loud[middle])
    ]
    people = two_people(clear)
    if people is None and clear:
        place, level_db = clear[0].lag_ms, clear[0].level_db
        lags, heights = (arrivals[..., k].astype(np.float32) for k in (0, 1))
        shows = _highest(lags, heights, [place], NEAR_MS) > LEAST_HEIGHT
        # Reflections of a voice stand out beside its place; where another stands out without it,
        # somebody who is heard faintly is there, and the first is not the only one.
        others = [
            found
            for found in faint
            if shows[gathered(found)].mean() < BESIDE_SHARE
            and _share(gathered(found), quiet) <= _share(gathered(found), ~quiet)
        ]
        people = two_people([clear[0], *others])
        if people is None and not others and shows[active[middle]].mean() >= ONLY_SHARE:
            # Gains lift the background too: a voice is its wearer's where it stands higher above
            # it.
            people = ([place], []) if level_db >= noise_apart_db else ([], [place])
    levels_tell = people is not None
    if people is None:
        people = _apart(clear, lag, arrivals, heard & loud[middle])
    if people is None:
        return None
    first, second = (places[0] if places else None for places in people)
    return Places((first, second), _moments(arrivals, people, same), len(loud), levels_tell)


def _share(there: Mask, among: Mask) -> float:
    """Return in which share of some moments a place stands out."""
    return float(there[among].mean()) if among.any() else 0.0


def _apart(
    found: list[Candidate], lag: Floats, arrivals: Floats, heard: Mask
) -> tuple[list[float], list[float]] | None:
    """Return two places that never show together, however alike the levels; None if there are none.

    A reflection shows beside the voice it belongs to, and who walks about does not go to and fro
    as turns do.
    """
    if len(found) < 2:
        return None
    pair = sorted((each.lag_ms for each in found[:2]), reverse=True)
    if not MOVED_MS < pair[0] - pair[1] < FARTHEST_MS:
        return None
    lags, heights = (arrivals[heard, :, k].astype(np.float32) for k in (0, 1))
    at = np.stack([np.abs(lag[heard] - place) < NEAR_MS for place in pair])
    for moments, other in zip(at, pair[::-1], strict=True):
        shows = _highest(lags[moments], heights[moments], [other], NEAR_MS) > LEAST_HEIGHT
        if moments.mean() < PART_SHARE or shows.mean() > NEVER_SHARE:
            return None
    ahead = moving_mean(at[0] - at[1].astype(float), PREVAILS)
    sides = np.sign(ahead[np.abs(ahead) > MOSTLY])
    return ([pair[0]], [pair[1]]) if (np.diff(sides) != 0).sum() >= LEAST_TURNS else None


def _moments(arrivals: Floats, people: tuple[list[float], list[float]], same: Mask) -> Floats:
    """Return :attr:`Places.moments`; where both channels hold one signal, anybody may speak."""
    moments = room((2, 2, len(arrivals)), np.float32)
    for part in pieces(len(arrivals), _TOGETHER):
        lag, height = (arrivals[part, :, k].astype(np.float32) for k in (0, 1))
        single = _single(lag, height)
        for mic, places in enumerate(people):
            moments[0, mic, part] = _highest(lag, single, places, NEAR_MS)
            wide = _highest(lag, height, places, LEAN_MS)
            moments[1, mic, part] = np.where(same[part], np.float32(1), wide)
    return moments


def _single(lag: Floats, height: Floats) -> Floats:
    """Return the heights ``(moments, peaks)`` with side lobes of the highest peak at zero.

    A vowel repeats itself with its pitch, so its peak has lobes a period before and after, alike
    in height; another person's peak has no twin.
    """
    single = height.copy()
    for peak in range(1, lag.shape[1]):
        for other in range(1, lag.shape[1]):
            if other != peak:
                mirrored = np.abs(lag[:, peak] + lag[:, other] - 2 * lag[:, 0]) < TWIN_MS
                # The twin of a lobe may lie out of reach, the next lobe in it.
                mirrored |= np.abs(lag[:, 0] + lag[:, other] - 2 * lag[:, peak]) < TWIN_MS
                single[mirrored & (height[:, other] > TWIN_HEIGHT * height[:, peak]), peak] = 0
    return single


def _highest(lag: Floats, height: Floats, places: list[float], near_ms: float) -> Floats:
    """Return how high the highest peak at any of a person's places stands at each moment."""
    highest = np.zeros(len(lag), np.float32)
    for place in places:
        near = np.abs(lag - place) < near_ms
        for peak in range(lag.shape[1]):
            np.maximum(highest, height[:, peak], out=highest, where=near[:, peak])
    return highest
