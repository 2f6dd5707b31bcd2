"""Cross-spectra between the two microphones, summed before it is known who speaks.

Who speaks is known only at the end of the take, and keeping every cross-spectrum would need
gigabytes. Whose voice a frame holds shows in the level difference between the microphones, so
frames are summed into classes by that difference (steps of 2 dB) as they come, and a class of their
own takes the pauses. When the threshold between the two people is known, the classes on either side
of it are added up: memory stays at half a megabyte for any length.
"""

from dataclasses import dataclass

import numpy as np

LOW_HZ, HIGH_HZ = 150.0, 7000.0  # where voices are; the range the delay is looked for in
STEP_DB = 2.0
WIDEST_DB = 40.0
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
    """

    bins_hz: np.ndarray
    first_bin: int
    frame_bins: int
    cross: np.ndarray
    first: np.ndarray
    second: np.ndarray
    frames: np.ndarray

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

    def push(self, first: np.ndarray, second: np.ndarray) -> None:
        """Take in the spectra of the next frames, each ``(frames, bins)`` complex."""
        a, b = first[:, self._used], second[:, self._used]
        power_a, power_b = a.real**2 + a.imag**2, b.real**2 + b.imag**2
        total = np.stack([power_a.sum(axis=1), power_b.sum(axis=1)], axis=1) * self._scale
        chosen = self._classes(total)
        rows = np.flatnonzero(chosen >= 0)
        if not len(rows):
            return
        # One product per sum: a row for each class met, a one for each of its frames.
        classes, member = np.unique(chosen[rows], return_inverse=True)
        belongs = np.zeros((len(classes), len(rows)), np.float32)
        belongs[member, np.arange(len(rows))] = 1
        product = a[rows] * b[rows].conj()
        self._cross[classes] += belongs @ product.real + 1j * (belongs @ product.imag)
        self._first[classes] += belongs @ power_a[rows]
        self._second[classes] += belongs @ power_b[rows]
        self._frames[classes] += belongs.sum(axis=1).astype(np.int64)

    def _classes(self, total: np.ndarray) -> np.ndarray:
        chosen = np.full(len(total), -1)
        for row, powers in enumerate(total):
            if powers.min() <= 1e-14:  # digital silence belongs to no class and is no background
                continue
            self._floor = np.minimum(self._floor * _RISE_PER_FRAME, powers)
            over = powers / self._floor
            if over.max() >= _VOICE_RATIO:
                difference_db = 10 * np.log10(powers[0] / powers[1])
                step = round((np.clip(difference_db, -WIDEST_DB, WIDEST_DB) + WIDEST_DB) / STEP_DB)
                chosen[row] = step
            elif over.max() <= _PAUSE_RATIO:
                chosen[row] = PAUSE
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
        )
