"""Finding the places of two people among the time differences that stand out in a take.

A place is a difference that gathers moments (``positions.py``). Whose of the two people it is,
levels say, or that two of them never show together; what gathers most moments where nobody is
heard is the place of the background.
"""

import numpy as np

from dualmic.meters.arrivals import STEPS_PER_MS
from dualmic.meters.clusters import find_clusters
from dualmic.meters.masks import moving_mean
from dualmic.meters.places import CELLS_EACH, LEAST_HEIGHT, PREVAILS, Places
from dualmic.meters.positions import (
    FARTHEST_MS,
    LEAST_MOMENTS,
    MOVED_MS,
    NEAR_MS,
    Candidate,
    candidates,
    two_people,
)
from dualmic.stack import pieces, room
from dualmic.tiles import Floats, Mask, Powers

# Our choices.
SAME_SIGNAL = 0.97  # so high, and with no delay at all: both channels hold one signal
LEAN_MS = 1.0  # and who leans far over, a third of a metre
TWIN_MS, TWIN_HEIGHT = 0.25, 0.7  # twins lie as far on either side, about as high
_TOGETHER = 36_000  # moments, an hour of them, of no influence on results
ONLY_SHARE = 0.8  # of all moments with sound that the only place that shows has to fill
# Times as often as where somebody is heard: of people's places that show in half of the moments
# in which nobody is, 0.7 at the most, for rooms go on after words; of the places of backgrounds 1.4
# and more. Rarer ones are few moments, of which a word that was not heard as one makes much; and
# where most of a take counts as such, words lie under its noise.
OF_NOISE, OFTEN_SHARE, OF_RARE = 1.2, 0.5, 3.0
MOST_QUIET = 0.6
BESIDE_SHARE = 0.5  # of a reflection's moments, in which the place it belongs to shows, too
PART_SHARE, NEVER_SHARE = 0.15, 0.1  # of all moments; of one's, in which the other's place shows
MOSTLY, LEAST_TURNS = 0.5, 3  # of moments; how often the voice goes from one to the other
# Of each person's moments, the share that lies on the other's side by level where gains that wander
# hold both voices at one level; of 100 takes whose gains stand none had more than 0.05 of both.
MIXED_SHARE = 0.1
# Of two people whose voices come with one difference in time, as through a cable, levels differ by
# more than those of one who turns round.
SHARED_APART_DB = 10.0


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

    def is_somebody(found: Candidate, among: Mask) -> bool:
        """Whether it is no place of the background, which is there when nobody is heard."""
        near = gathered(found)
        share = _share(near, quiet)
        is_often = share > OFTEN_SHARE and quiet.mean() < MOST_QUIET
        return share <= (OF_NOISE if is_often else OF_RARE) * _share(near, among)

    clear = [found for found in clear if is_somebody(found, loud[middle])]
    people = two_people(clear)
    levels_tell = people is None or not _is_mixed(people, lag, apart_db, heard & loud[middle])
    if people is None and clear:
        place, level_db = clear[0].lag_ms, clear[0].level_db
        lags, heights = (arrivals[..., k].astype(np.float32) for k in (0, 1))
        shows = _highest(lags, heights, [place], NEAR_MS) > LEAST_HEIGHT
        # Reflections of a voice stand out beside its place; where another stands out without it,
        # somebody who is heard faintly is there, and the first is not the only one.
        others = [
            found
            for found in faint
            if shows[gathered(found)].mean() < BESIDE_SHARE and is_somebody(found, ~quiet)
        ]
        people = two_people([clear[0], *others])
        here = gathered(clear[0]) & loud[middle]
        is_only = not others and shows[active[middle]].mean() >= ONLY_SHARE
        if people is None and is_only and not _take_turns(apart_db[here], noise_apart_db):
            # Gains lift the background too: a voice is its wearer's where it stands higher above
            # it.
            people = ([place], []) if level_db >= noise_apart_db else ([], [place])
    if people is None:
        levels_tell = False
        people = _apart(clear, lag, arrivals, heard & loud[middle])
    if people is None:
        return None
    first, second = (places[0] if places else None for places in people)
    return Places((first, second), _moments(arrivals, people, same), len(loud), levels_tell)


def _share(there: Mask, among: Mask) -> float:
    """Return in which share of some moments a place stands out."""
    return float(there[among].mean()) if among.any() else 0.0


def _is_mixed(
    people: tuple[list[float], list[float]], lag: Floats, apart_db: Floats, heard: Mask
) -> bool:
    """Whether levels tell two people's places apart no better than a gain that sets itself."""
    first, second = (apart_db[heard & (np.abs(lag - p[0]) < NEAR_MS)] for p in people)
    if min(len(first), len(second)) < LEAST_MOMENTS:
        return False
    between = (np.median(first) + np.median(second)) / 2
    return float(min((first < between).mean(), (second > between).mean())) > MIXED_SHARE


def _take_turns(apart_db: Floats, noise_apart_db: float) -> bool:
    """Whether at one place now the one microphone is the louder by far, now the other."""
    high, low = find_clusters(apart_db, noise_apart_db)
    if high is None or low is None or high - low < SHARED_APART_DB:
        return False
    return _turns(np.where(apart_db > (high + low) / 2, 1.0, -1.0)) >= LEAST_TURNS


def _turns(sides: Powers) -> int:
    """Return how often what lies on one side for most of half a second goes to the other side."""
    ahead = moving_mean(sides, PREVAILS)
    mostly = np.sign(ahead[np.abs(ahead) > MOSTLY])
    return int((np.diff(mostly) != 0).sum())


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
    turns = _turns(at[0] - at[1].astype(float))
    return ([pair[0]], [pair[1]]) if turns >= LEAST_TURNS else None


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
