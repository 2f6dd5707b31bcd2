"""Band powers of both microphones and the noise under them, a stretch of the take at a time.

A take of four hours has 1.4 million cells: all bands at once as numbers would take a quarter of a
gigabyte, and short stretches stay in the processor's cache. Whatever looks at the whole take goes
through it with :func:`stretches`.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from dualmic.meters.floor import GROUP, floor_at, floor_of, group_means
from dualmic.meters.masks import moving_mean
from dualmic.meters.spectrum import VOICE_BANDS
from dualmic.stack import let_go, room
from dualmic.tiles import Floats, Mask, Powers, power_db

STRETCH_CELLS = 12_000  # two minutes, of no influence on results
KEPT_CELLS = 120_000  # our choice: twenty minutes; of longer takes stretches are unpacked again
# How a room lets a leak die away: 60 dB in 0.67 s. (our choice)
LEAK_DECAY_DB_PER_CELL = 0.9
# Cells before a stretch that are unpacked with it: a level has decayed below anything by then.
MARGIN_CELLS = 300
_DB = np.float32(np.log(10) / 10)
_LEAST = np.float32(1e-16)


@dataclass(frozen=True)
class Stretch:
    """Cells ``first`` to before ``end``; unpacked are those from ``begin`` to before ``stop``."""

    first: int
    end: int
    begin: int
    stop: int

    @property
    def part(self) -> slice:
        """Where the stretch lies in the take."""
        return slice(self.first, self.end)

    @property
    def wide(self) -> slice:
        """Where the stretch and the margins on both sides of it lie in the take."""
        return slice(self.begin, self.stop)

    @property
    def inside(self) -> slice:
        """Where the stretch lies in what is unpacked."""
        return slice(self.first - self.begin, self.end - self.begin)


def stretches(cells: int) -> Iterator[Stretch]:
    """Yield stretch after stretch of a take; what was read of its files is let go in between."""
    for first in range(0, cells, STRETCH_CELLS):
        end = min(first + STRETCH_CELLS, cells)
        yield Stretch(first, end, max(first - MARGIN_CELLS, 0), min(end + MARGIN_CELLS, cells))
        if cells > KEPT_CELLS:
            let_go()


class Bands:
    """Powers of each microphone, ``(bands, cells of a stretch with its margins)``."""

    def __init__(self, bands_db: np.ndarray) -> None:
        """``bands_db`` is ``(2, cells, bands)``; the noise is found here, once."""
        self._bands_db = bands_db
        self.cells, self.count = bands_db.shape[1:]
        self._kept: dict[tuple[str, int, int], Floats] = {}
        self._floors = [self._floor_of(mic) for mic in (0, 1)]

    def _floor_of(self, mic: int) -> Floats:
        """Return the logarithm of the noise for every 50 ms, ``(bands, groups)``."""
        mean = room((self.count, self.cells // GROUP), np.float32)
        for stretch in stretches(self.cells):
            whole = group_means(self.power(mic, stretch)[:, stretch.inside])
            mean[:, stretch.first // GROUP :][:, : whole.shape[1]] = whole
        few = _unpacked(self._bands_db[mic, : 4 * GROUP])
        floors = room((self.count, max(mean.shape[1], 1)), np.float32)
        for b in range(self.count):
            floors[b] = floor_of(mean[b], few[b])
        return floors

    def power(self, mic: int, stretch: Stretch) -> Floats:
        """Return the power in microphone ``mic``."""
        return self._keep("power", mic, stretch)

    def floor(self, mic: int, stretch: Stretch) -> Floats:
        """Return the noise under it."""
        return self._keep("floor", mic, stretch)

    def echo(self, mic: int, stretch: Stretch) -> Floats:
        """Return what stands over the noise, dying away no faster than a room lets it."""
        return self._keep("echo", mic, stretch)

    def _keep(self, what: str, mic: int, stretch: Stretch) -> Floats:
        key = what, mic, stretch.first
        kept = self._kept.get(key)
        if kept is None:
            kept = self._made(what, mic, stretch)
            kept.flags.writeable = False
            if self.cells <= KEPT_CELLS:
                self._kept[key] = kept
        return kept

    def _made(self, what: str, mic: int, stretch: Stretch) -> Floats:
        if what == "power":
            return _unpacked(self._bands_db[mic, stretch.wide])
        if what == "floor":
            return floor_at(self._floors[mic], stretch.begin, stretch.stop)
        over = np.maximum(self.power(mic, stretch) - self.floor(mic, stretch), _LEAST)
        return _dying_away(over)

    def noise_apart_db(self) -> float:
        """Return how much noisier the first microphone's speech bands are than the second's."""
        if not self.cells:
            return 0.0
        apart = self._floors[0][VOICE_BANDS] - self._floors[1][VOICE_BANDS]
        let_go()
        return float(np.median(apart, overwrite_input=True) / _DB)


def voice_power(bands_db: np.ndarray, bands: slice = VOICE_BANDS, smooth_cells: int = 1) -> Floats:
    """Return the power in some bands, 300 Hz to 4 kHz, of one microphone, ``(cells,)``.

    Args:
        bands_db: ``(cells, bands)`` in dB.
        bands: which of them.
        smooth_cells: how many cells, an odd number, each value is the mean of.

    """
    power = room(len(bands_db), np.float32)
    for stretch in stretches(len(bands_db)):
        total = _unpacked(bands_db[stretch.wide, bands]).sum(axis=0)
        if smooth_cells > 1:
            total = np.maximum(moving_mean(total, smooth_cells), 0.0).astype(np.float32)
        power[stretch.part] = total[stretch.inside]
    return power


def mean_db(bands_db: np.ndarray, chosen: Mask) -> Powers:
    """Return the mean power of the chosen cells of one microphone by band, ``(bands,)``, in dB.

    Args:
        bands_db: ``(cells, bands)`` in dB.
        chosen: ``(cells,)``, at least one of them.

    """
    total = np.zeros(bands_db.shape[1])
    for stretch in stretches(len(bands_db)):
        powers = _unpacked(bands_db[stretch.part][chosen[stretch.part]])
        total += powers.sum(axis=1, dtype=np.float64)
    return power_db(total / chosen.sum())


def _unpacked(bands_db: np.ndarray) -> Floats:
    """Return levels ``(cells, bands)`` as powers ``(bands, cells)``."""
    return np.exp(np.ascontiguousarray(bands_db.T, np.float32) * _DB)


def _dying_away(power: Floats) -> Floats:
    """Let each row fall no faster than a room lets it: the largest so far, decaying."""
    ramp = np.arange(power.shape[1], dtype=np.float32) * np.float32(
        LEAK_DECAY_DB_PER_CELL * np.log(10) / 10
    )
    level = np.log(power)
    level += ramp
    np.maximum.accumulate(level, axis=1, out=level)
    level -= ramp
    return np.exp(level, out=level)
