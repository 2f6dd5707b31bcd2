"""Positions: the time differences that gather moments, and whose of two people they are.

A person who sits still has one, one who leans over or turns has several; a reflection of a voice
may gather moments, too. Of two people each is louder in their own microphone, and their voice
reaches the other's microphone later than the other's voice does.
"""

from dataclasses import dataclass

import numpy as np

from dualmic.meters.arrivals import REACH_MS, STEPS_PER_MS
from dualmic.tiles import Floats

# All our choices.
# Heads that move by 15 cm shift a difference by up to this; two mouths half a metre apart, each
# with its microphone a hand's breadth below, differ by 0.9 ms and more.
NEAR_MS, APART_MS = 0.45, 0.9
MOVED_MS = 3.0  # both do, now to, now fro
LEAST_SHARE, LEAST_MOMENTS = 0.03, 8  # of the loud moments that a place has to have
FARTHEST_MS = 20.0  # two people nearly seven metres apart
OVER_CHANCE = 6.0  # standard deviations: chance peaks lie anywhere, a place's lie together
LEAST_LEVEL_DB = 2.5  # by which the two people's level differences differ at least
CANDIDATES = 8  # two people, each in a few positions


@dataclass(frozen=True)
class Candidate:
    """A time difference that gathers moments, how many, and the level difference there."""

    lag_ms: float
    level_db: float
    votes: int


def candidates(top: Floats, weight: Floats, apart_db: Floats) -> list[Candidate]:
    """Return the time differences that gather moments, the most striking first.

    Args:
        top: the time difference that stands out at each moment, ms.
        weight: how high it does.
        apart_db: level difference first over second microphone.

    """
    found: list[Candidate] = []
    if len(top) < 2 * LEAST_MOMENTS:
        return found
    at = np.round((top + REACH_MS) * STEPS_PER_MS).astype(np.int64)
    density = np.bincount(at, weight, minlength=round(2 * REACH_MS * STEPS_PER_MS) + 1)
    rest = np.convolve(density, np.array([1, 2, 3, 4, 3, 2, 1]) / 16, mode="same")
    voted = 0
    while len(found) < CANDIDATES:
        best = int(np.argmax(rest))
        place = best / STEPS_PER_MS - REACH_MS
        near = np.abs(top - place) < NEAR_MS
        by_chance = (len(top) - voted) * NEAR_MS / REACH_MS
        most = by_chance + OVER_CHANCE * np.sqrt(by_chance)
        if near.sum() < max(LEAST_MOMENTS, LEAST_SHARE * len(top), most):
            break
        voted += int(near.sum())
        lag_ms, level_db = float(np.median(top[near])), float(np.median(apart_db[near]))
        found.append(Candidate(lag_ms, level_db, int(near.sum())))
        span = round(APART_MS * STEPS_PER_MS)
        rest[max(best - span + 1, 0) : best + span] = 0
    return found


def two_people(found: list[Candidate]) -> tuple[list[float], list[float]] | None:
    """Return the places of two people, by microphone, those first where they are most.

    Who leans over or turns has several places, with levels that differ by some decibels; but of
    two people each is louder in their own microphone. So the level differences part in two where
    they lie farthest apart, by the share of moments on either side.
    """
    best, people = 0.0, None
    total = sum(each.votes for each in found)
    by_level = sorted(found, key=lambda each: -each.level_db)
    for count in range(1, len(by_level)):
        sides = by_level[:count], by_level[count:]
        first, second = (max(side, key=lambda each: each.votes) for side in sides)
        votes = [sum(each.votes for each in side) for side in sides]
        level_db = [
            sum(each.votes * each.level_db for each in side) / number
            for side, number in zip(sides, votes, strict=True)
        ]
        later, louder = first.lag_ms - second.lag_ms, first.level_db - second.level_db
        if louder < LEAST_LEVEL_DB or not 0 < later < FARTHEST_MS:
            continue
        parted = votes[0] * votes[1] / total**2 * (level_db[0] - level_db[1]) ** 2
        if parted > best:
            best, people = parted, (_near(sides[0], first), _near(sides[1], second))
    return people


def _near(side: list[Candidate], most: Candidate) -> list[float]:
    """Return a person's places, where they are most first; reflections lie farther away."""
    near = [each for each in side if abs(each.lag_ms - most.lag_ms) < MOVED_MS]
    return [each.lag_ms for each in sorted(near, key=lambda each: -each.votes)]
