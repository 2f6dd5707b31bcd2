"""Where all that a microphone holds, voices and background, lies far under what it held before.

A plug that is half out, a broken cable and a wrong input let a trace of the voices through, forty
or fifty decibels down: nothing that anybody can use. Turned knobs do not go so far, and a room that
falls silent does so in both microphones.
"""

from itertools import pairwise

import numpy as np

from dualmic.meters.bands import voice_power
from dualmic.meters.masks import runs_of
from dualmic.tiles import CELLS_PER_S, Floats, Mask, Powers, power_db

# Our choices.
HUM_FREE_BANDS = slice(2, 5)  # 600 Hz to 4 kHz: a dead input hums
SMOOTH_CELLS = 5
LEAST_S, LEAST_TALK_S = 10, 2.0  # and while the other microphone hears somebody for so long
GAP_S = 3  # a bang on the cable is no sign of life
TALK_DB = 10.0  # over the other microphone's quietest
QUIET_PERCENTILE, LOUD_PERCENTILE = 10.0, 95.0
# A voice falls by 15 to 25 dB where its wearer stops and a leak is left; the background of one
# microphone alone hardly falls at all, and gains are turned by 12 dB at most, both together.
LOUD_FALL_DB, QUIET_FALL_DB = 25.0, 12.0
SECOND_FALL_DB, SECOND_QUIET_DB = 15.0, 10.0  # of a single second


def fallen(bands_db: np.ndarray, mic: int, unasked: Mask) -> Mask:
    """Return the cells in which a microphone holds no more than a trace, ``(cells,)``.

    Args:
        bands_db: ``(2, cells, bands)`` band powers in dB.
        mic: which microphone is asked about.
        unasked: ``(cells,)``, where it is silent or shut, and nothing is asked.

    """
    found = np.zeros(len(unasked), bool)
    seconds = len(unasked) // CELLS_PER_S
    if seconds < 2 * LEAST_S:
        return found
    own, other = (_by_second(bands_db[m], seconds) for m in (mic, 1 - mic))
    asked = ~unasked[: seconds * CELLS_PER_S].reshape(seconds, -1).any(axis=1)
    if not asked.any():
        return found
    loudest, quietest = own.max(axis=1), np.percentile(own, QUIET_PERCENTILE, axis=1)
    full_db = float(np.percentile(loudest[asked], LOUD_PERCENTILE))
    silence_db = float(
        np.percentile(own[asked & (loudest > full_db - LOUD_FALL_DB)], QUIET_PERCENTILE)
    )
    low = asked & (loudest < full_db - SECOND_FALL_DB) & (quietest < silence_db - SECOND_QUIET_DB)
    for start, end in _stretches(low):
        there = low.copy()
        there[:start] = there[end:] = False
        if _is_fallen(own, other, there, asked & ~low):
            under = own.ravel() < silence_db - SECOND_QUIET_DB
            first = _begins(under, start * CELLS_PER_S) if start else 0
            last = len(under) - _begins(under[::-1], len(under) - end * CELLS_PER_S)
            found[first : len(found) if end == seconds else last] = True
    return found & ~unasked


def _by_second(bands_db: np.ndarray, seconds: int) -> Powers:
    """Return the level of each cell in dB, ``(seconds, cells of one)``."""
    power: Floats = voice_power(bands_db, HUM_FREE_BANDS, SMOOTH_CELLS)
    return power_db(power[: seconds * CELLS_PER_S].reshape(seconds, CELLS_PER_S))


def _stretches(low: Mask) -> list[tuple[int, int]]:
    """Return runs of seconds, those with a short gap between them as one."""
    edges = list(zip(*(edge.tolist() for edge in runs_of(low)), strict=True))
    joined = edges[:1]
    for (_, before), (start, end) in pairwise(edges):
        if start - before <= GAP_S:
            joined[-1] = joined[-1][0], end
        else:
            joined.append((start, end))
    return [(start, end) for start, end in joined if end - start >= LEAST_S]


def _begins(under: Mask, at: int) -> int:
    """Return the cell near ``at`` before which fewest are under a level, and after it most."""
    first = max(at - CELLS_PER_S, 0)
    near = under[first : at + CELLS_PER_S]
    over_before = np.concatenate([[0], np.cumsum(~near)])
    under_before = np.concatenate([[0], np.cumsum(near)])
    return first + int((over_before + under_before[-1] - under_before).argmax())


def _is_fallen(own: Powers, other: Powers, there: Mask, elsewhere: Mask) -> bool:
    """Whether loud and quiet fell, in this microphone alone, while the other one heard somebody."""
    if elsewhere.sum() < LEAST_S:
        return False
    talk = other[there] > np.percentile(other, QUIET_PERCENTILE) + TALK_DB
    if talk.sum() < LEAST_TALK_S * CELLS_PER_S:
        return False
    quiet, loud = _falls_db(own, there, elsewhere)
    others_quiet, _ = _falls_db(other, there, elsewhere)
    return loud >= LOUD_FALL_DB and quiet - max(others_quiet, 0.0) >= QUIET_FALL_DB


def _falls_db(level_db: Powers, there: Mask, elsewhere: Mask) -> tuple[float, float]:
    """Return by how much what is quiet and what is loud is less than elsewhere."""
    quiet, loud = (
        float(np.percentile(level_db[elsewhere], p) - np.percentile(level_db[there], p))
        for p in (QUIET_PERCENTILE, LOUD_PERCENTILE)
    )
    return quiet, loud
