"""How late each part of the spectrum is: the phase between the microphones, tone by tone.

Two voices at once are seldom equally strong at the same moment and pitch: most parts of the
spectrum belong to the one or to the other, and how late the second microphone is there tells to
which, whatever the gains do. Whose phase is which is known only at the end of the take
(:mod:`dualmic.meters.shares`), so every tenth of a second the strongest of each few frequencies is
kept with its phase, in one byte.
"""

import numpy as np

from dualmic.stack import Stack

PER_S = 10
FRAMES_EACH = 2  # of 50 ms
# Our choices. A frame of 100 ms and half of its neighbours: longer mixes syllables, shorter tones.
WEIGHTS = 0.5, 1.0, 0.5
LOW_HZ, HIGH_HZ = 300.0, 3000.0  # above, phases turn with every move of a head
TONES_EACH = 5  # neighbours 10 Hz apart: the harmonics of a voice lie twice as far apart at least
STEPS = 50  # of a whole turn
NOTHING = 255
# A tone has to stand 10 dB over the quietest of late, which rises by 0.5 dB a second.
OVER_QUIETEST = 10.0
_RISE = 10 ** (0.05 / PER_S)
_SILENCE = 1e-14


class PhaseMeter:
    """Feeds on the cross-spectra of frames, keeps 54 bytes for every 100 ms."""

    def __init__(self, bins_hz: np.ndarray) -> None:
        """``bins_hz`` are the bins that :meth:`push` will be given."""
        first, end = np.searchsorted(bins_hz, [LOW_HZ, HIGH_HZ])
        self._bands = (int(end) - int(first)) // TONES_EACH
        self._used = slice(int(first), int(first) + self._bands * TONES_EACH)
        before = FRAMES_EACH // 2
        self._waiting = np.zeros((before, self._bands * TONES_EACH), np.complex64)
        self._quietest = np.full(self._bands, np.inf)
        self._codes = Stack()

    def push(self, cross: np.ndarray) -> None:
        """Take in the next frames' cross-spectra, first x conj(second), ``(frames, bins)``."""
        rows = np.concatenate([self._waiting, cross[:, self._used].astype(np.complex64)])
        count = max((len(rows) - len(WEIGHTS)) // FRAMES_EACH + 1, 0)
        self._waiting = rows[count * FRAMES_EACH :]
        if not count or not self._bands:
            return
        last = (count - 1) * FRAMES_EACH + 1
        total = np.zeros((count, rows.shape[1]), np.complex64)
        for k, weight in enumerate(WEIGHTS):
            total += rows[k : k + last : FRAMES_EACH] * np.float32(weight)
        self._codes.add(self._of(total.reshape(count, self._bands, TONES_EACH))[None])

    def result(self) -> np.ndarray:
        """Return ``(moments, bands)`` bytes, a tenth of a second apart.

        ``tone * STEPS + phase``: which of the tones of a band is the strongest, and how far the
        first microphone is ahead there; :data:`NOTHING` where none stands out.
        """
        return self._codes.joined((1, 0, self._bands), np.uint8)[0]

    def _of(self, cross: np.ndarray) -> np.ndarray:
        size = cross.real**2 + cross.imag**2
        tone = size.argmax(axis=2)
        at = tone[..., None]
        strongest = np.take_along_axis(cross, at, 2)[..., 0]
        level = np.abs(strongest).astype(np.float64)
        # The quietest of late, f[k] = min(f[k-1] * rise, p[k]), without the recursion.
        rise = _RISE ** np.arange(1, len(level) + 1)[:, None]
        heard = np.where(level > _SILENCE, level, np.inf)
        quietest = np.minimum.accumulate(np.vstack([self._quietest, heard / rise]), axis=0)[1:]
        quietest *= rise
        self._quietest = quietest[-1]
        phase = np.round(np.angle(strongest) * (STEPS / (2 * np.pi))).astype(np.int64) % STEPS
        stands_out = (level > OVER_QUIETEST * quietest) & (level > _SILENCE)
        return np.where(stands_out, tone * STEPS + phase, NOTHING).astype(np.uint8)
