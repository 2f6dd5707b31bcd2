"""Where all that a microphone holds, voices and background, lies far under what it held before.

A plug that is half out, a broken cable and a wrong input let a trace of the voices through, forty
or fifty decibels down: nothing that anybody can use. Turned knobs do not go so far, and a room that
falls silent does so in both microphones.
"""

from collections.abc import Iterator

import numpy as np

from dualmic.deaf_mics import HUM_FREE_BANDS, SMOOTH_CELLS
from dualmic.meters.bands import voice_power
from dualmic.meters.masks import bridged, longer, runs_of
from dualmic.stack import pieces
from dualmic.tiles import CELLS_PER_S, Indices, Mask, power_db

# Our choices.
LEAST_S, LEAST_TALK_S = 10, 2.0  # and while the other microphone hears somebody for so long
GAP_S = 3  # a bang on the cable is no sign of life
TALK_DB = 10.0  # over the other microphone's quietest
QUIET_PERCENTILE, LOUD_PERCENTILE = 10.0, 95.0
# A voice falls by 15 to 25 dB where its wearer stops and a leak is left; the background of one
# microphone alone hardly falls at all. Knobs turn both by 12 dB at most, and a pad takes 20.
LOUD_FALL_DB, QUIET_FALL_DB = 30.0, 12.0
WORDS_WITHIN_DB = 25.0  # of the loudest: a second with words in it
SECOND_FALL_DB, SECOND_QUIET_DB = 15.0, 10.0  # of a single second
_TOGETHER = 3600  # seconds, of no influence on results
_STEP_DB = 0.1
_STEPS_DB = np.arange(-200.0, 20.0, _STEP_DB)


def fallen(bands_db: np.ndarray, unasked: Mask) -> Mask:
    """Return the cells in which each microphone holds no more than a trace, ``(2, cells)``.

    Args:
        bands_db: ``(2, cells, bands)`` band powers in dB.
        unasked: ``(2, cells)``, where one is silent or shut, and nothing is asked.

    """
    found = np.zeros_like(unasked)
    seconds = unasked.shape[1] // CELLS_PER_S
    if seconds < 2 * LEAST_S:
        return found
    levels = [_Seconds(bands_db[m], seconds) for m in (0, 1)]
    for m in (0, 1):
        rows = unasked[m, : seconds * CELLS_PER_S].reshape(seconds, CELLS_PER_S)
        asked: Mask = np.logical_not(rows.any(axis=1))
        for first, last in _falls(levels[m], levels[1 - m], asked):
            found[m, first:last] = True
    return found & ~unasked


def _falls(own: "_Seconds", other: "_Seconds", asked: Mask) -> Iterator[tuple[int, int | None]]:
    """Yield the first cell of each fall and the one after its last, None where it is for good."""
    if not asked.any():
        return
    full_db = float(np.percentile(own.loudest_db[asked], LOUD_PERCENTILE))
    full = asked & (own.loudest_db > full_db - WORDS_WITHIN_DB)
    under_db = own.percentiles_db(full)[0] - SECOND_QUIET_DB
    low = asked & (own.loudest_db < full_db - SECOND_FALL_DB) & (own.quietest_db < under_db)
    for start, end in zip(*runs_of(longer(bridged(low, GAP_S), LEAST_S)), strict=True):
        there = low.copy()
        there[:start] = there[end:] = False
        if _is_fallen(own, other, there, asked & ~low):
            first = own.begins(start, under_db) if start else 0
            yield first, None if end == len(asked) else own.ends(end, under_db)


class _Seconds:
    """How loud one microphone is, cell by cell, by seconds; nothing as long as a take in memory."""

    def __init__(self, bands_db: np.ndarray, seconds: int) -> None:
        power = voice_power(bands_db, HUM_FREE_BANDS, SMOOTH_CELLS)
        self._power = power[: seconds * CELLS_PER_S].reshape(seconds, CELLS_PER_S)
        self.loudest_db, self.quietest_db = np.zeros((2, seconds))
        for part in pieces(seconds, _TOGETHER):
            level_db = power_db(self._power[part])
            self.loudest_db[part] = level_db.max(axis=1)
            self.quietest_db[part] = np.percentile(level_db, QUIET_PERCENTILE, axis=1)

    def percentiles_db(self, chosen: Mask) -> tuple[float, float]:
        """Return what is quiet and what is loud in the chosen seconds, to a tenth of a decibel."""
        total = np.cumsum(self._counts(chosen))
        wanted = np.array([QUIET_PERCENTILE, LOUD_PERCENTILE]) / 100 * total[-1]
        quiet_db, loud_db = _STEPS_DB[np.searchsorted(total, wanted)]
        return float(quiet_db), float(loud_db)

    def number_over(self, chosen: Mask, level_db: float) -> int:
        """Return how many cells of the chosen seconds are louder than a level."""
        return int(self._counts(chosen)[level_db < _STEPS_DB].sum())

    def begins(self, second: int, under_db: float) -> int:
        """Return the cell near a second before which fewest are under a level, after it most."""
        first, under = self._near(second, under_db)
        return first + _parted(~under)

    def ends(self, second: int, under_db: float) -> int:
        """Return the cell near a second after which fewest are under a level, before it most."""
        first, under = self._near(second, under_db)
        return first + _parted(under)

    def _near(self, second: int, under_db: float) -> tuple[int, Mask]:
        """Return the first cell near a second, and which from it on are under a level."""
        first = max(second - 1, 0)
        level_db = power_db(self._power[first : second + 1].ravel())
        return first * CELLS_PER_S, level_db < under_db

    def _counts(self, chosen: Mask) -> Indices:
        counts = np.zeros(len(_STEPS_DB), np.int64)
        for part in pieces(len(chosen), _TOGETHER):
            level_db = power_db(self._power[part][chosen[part]]).ravel()
            at = np.round((level_db - _STEPS_DB[0]) / _STEP_DB).astype(np.int64)
            counts += np.bincount(np.clip(at, 0, len(counts) - 1), minlength=len(counts))
        return counts


def _parted(mask: Mask) -> int:
    """Return the place before which most of a mask is true, and after it least."""
    true_before = np.concatenate([[0], np.cumsum(mask)])
    false_before = np.arange(len(mask) + 1) - true_before
    return int((true_before - false_before).argmax())


def _is_fallen(own: _Seconds, other: _Seconds, there: Mask, elsewhere: Mask) -> bool:
    """Whether loud and quiet fell, in this microphone alone, while the other one heard somebody."""
    if elsewhere.sum() < LEAST_S:
        return False
    others_quiet_db, _ = other.percentiles_db(np.ones_like(there))
    if other.number_over(there, others_quiet_db + TALK_DB) < LEAST_TALK_S * CELLS_PER_S:
        return False
    quiet_db, loud_db = _falls_db(own, there, elsewhere)
    others_db, _ = _falls_db(other, there, elsewhere)
    return loud_db >= LOUD_FALL_DB and quiet_db - max(others_db, 0.0) >= QUIET_FALL_DB


def _falls_db(levels: _Seconds, there: Mask, elsewhere: Mask) -> tuple[float, float]:
    """Return by how much what is quiet and what is loud is less than elsewhere."""
    (quiet, loud), (quiet_there, loud_there) = (
        levels.percentiles_db(chosen) for chosen in (elsewhere, there)
    )
    return quiet - quiet_there, loud - loud_there
