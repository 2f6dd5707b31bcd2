"""One voice in both microphones, or two: how far the two microphones' levels part.

While one voice sounds, its level in the two microphones differs by the same amount in each band,
syllable after syllable, and both levels rise and fall together. While two people talk, now the one
prevails in a band and now the other: the difference swings between the two people's. How wide it
swings depends on the room and on how close they sit, so nothing is held against a fixed number. The
take itself shows how wide it is for each person alone; the powers of those stretches, added up,
show how wide it would be if both talked at once; and what is asked about lies nearer to the one or
to the other.
"""

from dataclasses import dataclass

import numpy as np

from dualmic.meters.masks import moving_mean, runs_of
from dualmic.meters.spectrum import VOICE_BANDS
from dualmic.tiles import Mask, Powers

# Our choices.
SMOOTH_CELLS = 5  # levels are taken over 50 ms
SYLLABLES_CELLS = 51  # what is slower than a syllable says nothing: people grow louder together
WINDOW_CELLS = 101  # swings are looked at over a second: some syllables of each person
LEAST_AUDIBLE = 10  # cells of a window in which a band has to stand over the noise to count
OVER_NOISE = 4.0  # 6 dB over the background
LATEST_CELLS = 3  # a wireless link delays by 2 to 20 ms (common practice), air by a few more
KNOWN_CELLS, LEAST_KNOWN_CELLS = 3000, 150  # of each person alone: thirty seconds tell enough
# Room and noise set the least difference that can be told: with less between one voice and two,
# half a decibel and a correlation of 0.05 count as the whole way; three times that is plain.
LEAST_WAY_DB, LEAST_WAY, PLAINLY = 0.5, 0.05, 3.0
# A third of the way: simulated single voices that turned round stay under 0, two voices over 0.6;
# only in people who sit shoulder to shoulder do the two meet.
TWO = 0.35
# Of a stretch that is one voice for the most, a part is a second one only if it is so beyond doubt.
SURELY_TWO = 0.7
# Without both people alone nothing can be calibrated: one voice in two microphones of simulated
# rooms stays near these, two voices beyond those.
USUAL_ONE, USUAL_TWO = (3.0, 0.9), (5.5, 0.6)


@dataclass(frozen=True)
class Parting:
    """How wide the level difference swings, and how closely the levels rise and fall together.

    Both ``(cells,)``, over a second around each cell: the standard deviation in dB over all bands,
    and the correlation, the mean over bands; NaN where too little is heard.
    """

    spread_db: Powers
    alike: Powers


class TwoVoices:
    """Tells one voice from two in a take, by what it holds of each person alone."""

    def __init__(self, bands_db: np.ndarray, alone: Mask, pause: Mask) -> None:
        """Learn how one voice and two look in this take.

        Args:
            bands_db: ``(2, cells, bands)`` band powers in dB.
            alone: ``(2, cells)``, where one person alone speaks, for each.
            pause: ``(cells,)``, where nobody does.

        """
        self._bands_db = bands_db
        self._noise = self._background(pause)
        # Mid-take cells are as good as any; evenly spread ones see every part of the take.
        known = [some_cells(mask) for mask in alone]
        self._late = self._lag(np.sort(np.concatenate(known)))
        parts = [self._powers(cells) for cells in known]
        size = min(len(cells) for cells in known)
        self._one, self._two = USUAL_ONE, USUAL_TWO
        if size < LEAST_KNOWN_CELLS:
            return
        single = [_middle(self._parting(part)) for part in parts]
        mixed = _middle(self._parting(parts[0][:, :, :size] + parts[1][:, :, :size]))
        if not np.isfinite([*single, mixed]).all():
            return
        # A voice may turn to where it swings as widely as the less steady of the two does.
        self._one = max(s[0] for s in single), min(s[1] for s in single)
        self._two = mixed

    def tells(self) -> bool:
        """Say whether one voice differs from two plainly enough to overrule another witness.

        Where gains set themselves, or leaks lie near the noise, one voice parts as two do.
        """
        wider, less_alike = self._two[0] - self._one[0], self._one[1] - self._two[1]
        return wider > PLAINLY * LEAST_WAY_DB and less_alike > PLAINLY * LEAST_WAY

    def surely_two(self, apart: Powers) -> Mask:
        """Return the cells that hold two voices beyond doubt."""
        return np.nan_to_num(apart, nan=0.0) > SURELY_TWO

    def are_two(self, apart: Powers) -> bool:
        """Say whether a stretch, from :meth:`apart`, holds two voices; if nothing is known, yes."""
        known = apart[np.isfinite(apart)]
        return not len(known) or float(np.median(known)) > TWO

    def apart(self, start: int, end: int, held: Mask) -> Powers:
        """Return how far each cell is on the way from one voice (0) to two (1), NaN if unknown.

        Args:
            start: first cell.
            end: past the last cell.
            held: ``(end - start,)``, the cells that count.

        """
        parting = self._parting(self._powers(np.arange(start, end)), held)
        wide = (parting.spread_db - self._one[0]) / max(self._two[0] - self._one[0], LEAST_WAY_DB)
        unlike = (self._one[1] - parting.alike) / max(self._one[1] - self._two[1], LEAST_WAY)
        return (wide + unlike) / 2

    def _background(self, pause: Mask) -> Powers:
        quiet = self._bands_db[:, :, VOICE_BANDS]
        if pause.sum() >= LEAST_KNOWN_CELLS:
            return _power(quiet[:, some_cells(pause)]).mean(axis=1)
        return _power(np.percentile(quiet, 8, axis=1))

    def _lag(self, cells: np.ndarray) -> int:
        """Return by how many cells the second microphone is late."""
        if len(cells) < LEAST_KNOWN_CELLS:
            return 0
        inside = cells[(cells > LATEST_CELLS) & (cells < self._bands_db.shape[1] - LATEST_CELLS)]
        best, late = -1.0, 0
        first = _quick(_level(_power(self._bands_db[0, inside][:, VOICE_BANDS]).sum(axis=1)))
        for lag in range(-LATEST_CELLS, LATEST_CELLS + 1):
            there = _power(self._bands_db[1, inside + lag][:, VOICE_BANDS]).sum(axis=1)
            alike = float(np.corrcoef(first, _quick(_level(there)))[0, 1])
            if alike > best:
                best, late = alike, lag
        return late

    def _powers(self, cells: np.ndarray) -> Powers:
        """Return ``(2, bands, cells)`` powers, both microphones brought to one time."""
        last = self._bands_db.shape[1] - 1
        there = np.clip(cells + self._late, 0, last)
        rows = [self._bands_db[m, at][:, VOICE_BANDS] for m, at in ((0, cells), (1, there))]
        return _power(np.stack(rows)).transpose(0, 2, 1)

    def _parting(self, power: Powers, held: Mask | None = None) -> Parting:
        cells = power.shape[2]
        held = np.ones(cells, bool) if held is None else held
        spread, weights = np.zeros(cells), np.zeros(cells)
        alike, bands = np.zeros(cells), np.zeros(cells)
        for band in range(power.shape[1]):
            level = [_level(power[m, band]) for m in (0, 1)]
            heard = held.copy()
            for m in (0, 1):
                heard &= level[m] > _level(np.full(1, OVER_NOISE * self._noise[m, band]))
            count = moving_mean(heard.astype(float), WINDOW_CELLS)
            enough = count * WINDOW_CELLS >= LEAST_AUDIBLE
            variance = _moments(level[0] - level[1], level[0] - level[1], heard, count)
            spread += np.where(enough, variance * count, 0.0)
            weights += np.where(enough, count, 0.0)
            quick = [_quick(row) for row in level]
            together = _moments(quick[0], quick[1], heard, count)
            each = [_moments(row, row, heard, count) for row in quick]
            with np.errstate(invalid="ignore", divide="ignore"):
                correlation = together / np.sqrt(each[0] * each[1])
            good = enough & np.isfinite(correlation)
            alike += np.where(good, correlation, 0.0)
            bands += good
        with np.errstate(invalid="ignore", divide="ignore"):
            return Parting(np.sqrt(spread / weights), alike / bands)


def some_cells(mask: Mask) -> np.ndarray:
    """Return the cells of whole runs, evenly from all over the take, as many as are needed."""
    cells = np.flatnonzero(mask)
    if len(cells) <= KNOWN_CELLS:
        return cells
    starts, ends = runs_of(mask)
    every = int(np.ceil(len(cells) / KNOWN_CELLS))
    kept = [np.arange(a, b) for a, b in zip(starts[::every], ends[::every], strict=True)]
    return np.concatenate(kept)[: 2 * KNOWN_CELLS]


def _middle(parting: Parting) -> tuple[float, float]:
    known = np.isfinite(parting.spread_db) & np.isfinite(parting.alike)
    if not known.any():
        return np.nan, np.nan
    return float(np.median(parting.spread_db[known])), float(np.median(parting.alike[known]))


def _moments(a: Powers, b: Powers, heard: Mask, share: Powers) -> Powers:
    """Return the covariance of two rows over a second around each cell, of the cells heard."""
    share = np.maximum(share, 1e-9)
    rows = [np.where(heard, row, 0.0) for row in (a, b)]
    means = [moving_mean(row, WINDOW_CELLS) / share for row in rows]
    both = moving_mean(rows[0] * rows[1], WINDOW_CELLS) / share
    return np.maximum(both - means[0] * means[1], 0.0) if a is b else both - means[0] * means[1]


def _quick(level_db: Powers) -> Powers:
    return level_db - moving_mean(level_db, SYLLABLES_CELLS)


def _level(power: Powers) -> Powers:
    return 10 * np.log10(moving_mean(power, SMOOTH_CELLS) + 1e-16)


def _power(level_db: np.ndarray) -> Powers:
    power: Powers = 10 ** (level_db.astype(np.float64) / 10)
    return power
