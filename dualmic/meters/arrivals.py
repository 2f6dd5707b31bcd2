"""When sound arrives: the time differences between the microphones that stand out at each moment.

Everything a person says reaches the two microphones with one difference in time, whatever is said,
however loudly, and whatever the gains do: the way of their voice to the one microphone and to the
other, and what a wireless link adds. Two people in two places have two of them. Every tenth of a
second, the generalised cross-correlation over the last third is searched for its highest peaks, of
either sign; who they belong to is known only at the end of the take.

References:
    C. H. Knapp and G. C. Carter, "The generalized correlation method for estimation of time
    delay", IEEE Trans. ASSP 24(4), 1976.

"""

import numpy as np

from dualmic.meters.fft import irfft
from dualmic.stack import Stack
from dualmic.tiles import Floats

PER_S = 10
FRAMES_EACH = 2  # of 50 ms
# Our choices. Five frames of 100 ms, 50 ms apart, are a third of a second: a syllable or two.
AVERAGED = 5
LOW_HZ, HIGH_HZ = 150.0, 4000.0  # where a voice is strong enough to leak
REACH_MS = 30.0  # 20 ms of a link (common practice) and three metres of air
STEPS_PER_MS = 10
PEAKS = 5
# Whitened in part: wholly, what lies under the noise would count as much as the voice.
WHITENED = 0.8
_SIZE = 100 * STEPS_PER_MS  # the curve of frames of 100 ms, points


class ArrivalMeter:
    """Feeds on the cross-spectra of frames, keeps some peaks: 20 bytes for every 100 ms."""

    def __init__(self, bins_hz: np.ndarray) -> None:
        """``bins_hz`` are the bins that :meth:`push` will be given."""
        used = np.flatnonzero((bins_hz >= LOW_HZ) & (bins_hz <= HIGH_HZ))
        self._used = slice(int(used[0]), int(used[-1]) + 1)
        step_hz = float(bins_hz[1] - bins_hz[0])
        self._first = round(float(bins_hz[used[0]]) / step_hz)
        before = AVERAGED // 2
        self._waiting = np.zeros((before, len(used)), np.complex64)
        self._peaks = Stack()

    def push(self, cross: np.ndarray) -> None:
        """Take in the next frames' cross-spectra, first x conj(second), ``(frames, bins)``."""
        rows = np.concatenate([self._waiting, cross[:, self._used].astype(np.complex64)])
        count = max((len(rows) - AVERAGED) // FRAMES_EACH + 1, 0)
        self._waiting = rows[count * FRAMES_EACH :]
        if count:
            last = (count - 1) * FRAMES_EACH + 1
            total = rows[:last:FRAMES_EACH].copy()
            for k in range(1, AVERAGED):
                total += rows[k : k + last : FRAMES_EACH]
            self._peaks.add(self._of(total)[None])

    def result(self) -> Floats:
        """Return lag in ms and height of the peaks, highest first, ``(moments, peaks, 2)``.

        A lag is how much later the sound reaches the second microphone; a height of 1 is a sound
        that is the same in both. Moments lie a tenth of a second apart.
        """
        return self._peaks.joined((1, 0, PEAKS, 2), np.float16)[0]

    def _of(self, cross: np.ndarray) -> np.ndarray:
        size = np.maximum(np.abs(cross), 1e-20)
        left = size ** np.float32(1 - WHITENED)
        spectrum = np.zeros((len(cross), _SIZE // 2 + 1), np.complex64)
        np.multiply(cross, left / size, out=spectrum[:, self._first : self._first + cross.shape[1]])
        curve = np.abs(irfft(spectrum, _SIZE))
        curve *= (_SIZE / 2 / left.sum(axis=1))[:, None]
        # first x conj(second) turns time around: what comes later in the second has minus its lag.
        reach = round(REACH_MS * STEPS_PER_MS)
        curve = np.concatenate([curve[:, -reach:], curve[:, : reach + 1]], axis=1)[:, ::-1]
        inner = curve[:, 1:-1]
        tops = inner * ((inner >= curve[:, :-2]) & (inner > curve[:, 2:]))
        moments = np.arange(len(tops))
        peaks = np.empty((len(tops), PEAKS, 2), np.float16)
        for peak in range(PEAKS):  # the highest again and again: sorting all takes longer
            at = tops.argmax(axis=1)
            peaks[:, peak, 0] = (at + 1 - reach) / STEPS_PER_MS
            peaks[:, peak, 1] = tops[moments, at]
            tops[moments, at] = 0
        return peaks
