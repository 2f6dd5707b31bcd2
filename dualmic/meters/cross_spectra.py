"""Cross-spectra between the two microphones, summed before it is known who speaks.

Who speaks is known only at the end of the take, and keeping every cross-spectrum would need
gigabytes. Whose voice a frame holds shows in the level difference between the microphones, so
frames are summed into classes by that difference (steps of 2 dB) as they come, and a class of their
own takes the pauses. When the threshold between the two people is known, the classes on either side
of it are added up: memory stays at 1.5 megabytes for any length.
"""

from dataclasses import dataclass

import numpy as np

from dualmic.meters.arrivals import ArrivalMeter
from dualmic.meters.phases import PhaseMeter
from dualmic.tiles import Floats

LOW_HZ, HIGH_HZ = 150.0, 7000.0  # where voices are; the range the delay is looked for in
STEP_DB = 2.0
WIDEST_DB = 60.0  # one input turned up by 14 dB, the other 30 dB too quiet, and their leaks
_CLASSES = int(2 * WIDEST_DB / STEP_DB) + 1
PAUSE = _CLASSES
# Our choices: a frame 10 dB over the quietest of late is voice, within 3 dB of it is a pause. The
# quietest of late rises by 0.5 dB a second, so it follows a background that comes up.
_VOICE_RATIO, _PAUSE_RATIO = 10.0, 2.0
_RISE_PER_FRAME = 10 ** (0.05 / 20)


@dataclass(frozen=True)
class ClassSums:
    """Sums by class: cross-spectrum first x conj(second), both powers, and frames counted.

    ``cross`` is ``(classes, bins)`` complex, ``first`` and ``second`` ``(classes, bins)``,
    ``frames`` ``(classes,)``; the last class holds the pauses. ``bins_hz`` are the frequencies and
    ``frame_bins`` the number of bins of a whole real spectrum, for the way back into time.
    ``arrivals`` are the time differences that stand out, see :class:`ArrivalMeter`, ``phases`` how
    far tones are ahead, see :class:`PhaseMeter`.
    """

    bins_hz: np.ndarray
    first_bin: int
    frame_bins: int
    cross: np.ndarray
    first: np.ndarray
    second: np.ndarray
    frames: np.ndarray
    arrivals: Floats
    phases: np.ndarray

    @staticmethod
    def differences_db() -> np.ndarray:
        """Return the level difference first over second at the middle of each voice class."""
        return np.arange(_CLASSES) * STEP_DB - WIDEST_DB


class CrossSpectra:
    """Sums frames of two channels' spectra by the level difference between them."""

    def __init__(self, bins_hz: np.ndarray, scale: float) -> None:
        """Start with empty sums; ``scale`` turns squared bins into power."""
        used = np.flatnonzero((bins_hz >= LOW_HZ) & (bins_hz <= HIGH_HZ))
        self._used = slice(int(used[0]), int(used[-1]) + 1)
        self._all_bins = len(bins_hz)
        self._bins_hz = bins_hz[self._used]
        self._scale = scale
        shape = (_CLASSES + 1, len(used))
        self._cross = np.zeros(shape, np.complex128)
        self._first, self._second = np.zeros(shape), np.zeros(shape)
        self._frames = np.zeros(_CLASSES + 1, np.int64)
        self._floor = np.full(2, np.inf)
        self._arrivals = ArrivalMeter(self._bins_hz)
        self._phases = PhaseMeter(self._bins_hz)

    def push(
        self, first: np.ndarray, second: np.ndarray, power_first: Floats, power_second: Floats
    ) -> None:
        """Take in the next frames: spectra ``(frames, bins)`` complex and their squares."""
        a, b = first[:, self._used], second[:, self._used]
        product = a * b.conj()
        self._arrivals.push(product)
        self._phases.push(product)
        power_a, power_b = power_first[:, self._used], power_second[:, self._used]
        total = np.stack([power_a.sum(axis=1), power_b.sum(axis=1)], axis=1) * self._scale
        chosen = self._classes(total.astype(np.float64))
        classes = np.flatnonzero(np.bincount(chosen[chosen >= 0]))
        if not len(classes):
            return
        # One product per sum: a row for each class met, a one for each of its frames.
        belongs = (classes[:, None] == chosen).astype(np.float32)
        self._cross[classes] += belongs @ product
        self._first[classes] += belongs @ power_a
        self._second[classes] += belongs @ power_b
        self._frames[classes] += np.count_nonzero(belongs, axis=1)

    def _classes(self, total: np.ndarray) -> np.ndarray:
        """Return each frame's class, -1 for those that are neither a voice's nor a pause's."""
        chosen = np.full(len(total), -1)
        # Digital silence belongs to no class and is no background.
        live = np.flatnonzero(total.min(axis=1) > 1e-14)
        if not len(live):
            return chosen
        powers = total[live]
        # The quietest of late, f[k] = min(f[k-1] * rise, p[k]), without the recursion.
        rise = _RISE_PER_FRAME ** np.arange(1, len(live) + 1)[:, None]
        seen = np.vstack([self._floor, powers / rise])
        floor = np.minimum.accumulate(seen, axis=0)[1:] * rise
        self._floor = floor[-1]
        over = (powers / floor).max(axis=1)
        difference_db = 10 * np.log10(powers[:, 0] / powers[:, 1])
        inside_db = np.clip(difference_db, -WIDEST_DB, WIDEST_DB)
        step = np.round((inside_db + WIDEST_DB) / STEP_DB).astype(np.int64)
        pause = np.where(over <= _PAUSE_RATIO, PAUSE, -1)
        chosen[live] = np.where(over >= _VOICE_RATIO, step, pause)
        return chosen

    def result(self) -> ClassSums:
        """Return the sums so far."""
        return ClassSums(
            self._bins_hz,
            self._used.start,
            self._all_bins,
            self._cross.copy(),
            self._first.copy(),
            self._second.copy(),
            self._frames.copy(),
            self._arrivals.result(),
            self._phases.result(),
        )
