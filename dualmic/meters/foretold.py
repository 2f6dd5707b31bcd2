"""How far a short sound stands out of what foretells it: the residual of linear prediction.

A loud consonant and a voice follow from their own last milliseconds by far the most part, so what
is left of them once they are predicted is small and even; what jumps is foretold by nothing.

References:
    J. Makhoul, "Linear prediction: a tutorial review", Proc. IEEE 63(4), 1975.

"""

from functools import cache

import numpy as np

from dualmic.tiles import Floats, Powers

# Our choices: a tenth of a second keeps its colour, and so many samples at 48 kHz hold it. Of half
# a hundred short sounds of untouched speech none left more than 11 dB over what is around it; of
# jumps that second differences alone hardly show the middle one left 17 dB.
AROUND_S, ORDER = 0.05, 32
# In hops of half a millisecond: the short sound teaches nothing of what is around it, and it is
# held against 12 ms before and after it.
_LEFT_OUT, _BEFORE, _AFTER = (-2, 10), (24, 3), (6, 27)
_REGULAR, _QUIETEST = 1e-5, 1e-12  # so that silence and tones can be predicted, too


@cache
def _window(length: int) -> Powers:
    return np.asarray(np.hanning(length))


def unforetold_db(sound: Floats, at: int, hop: int) -> float:
    """Return how far the loudest millisecond left near ``at`` stands over those around it, in dB.

    Args:
        sound: samples ``(frames,)`` that hold :data:`AROUND_S` on either side of ``at``.
        at: where the short sound begins.
        hop: samples in half a millisecond.

    """
    known = sound.astype(np.float64)
    known[at + _LEFT_OUT[0] * hop : at + _LEFT_OUT[1] * hop] = 0.0
    known *= _window(len(known))
    alike = np.array([known[: len(known) - lag] @ known[lag:] for lag in range(ORDER + 1)])
    alike[0] += _REGULAR * alike[0] + _QUIETEST
    lags = np.abs(np.subtract.outer(np.arange(ORDER), np.arange(ORDER)))
    weights = np.linalg.solve(alike[lags], alike[1:])
    first = at - _BEFORE[0] * hop
    part = sound[first - ORDER : at + (_AFTER[1] + 1) * hop].astype(np.float64)
    left = np.convolve(part, np.concatenate([[1.0], -weights]), "valid")
    hops = len(left) // hop
    power = np.square(left[: hops * hop]).reshape(hops, hop).mean(axis=1)
    power = (power[1:] + power[:-1]) / 2
    here = _BEFORE[0]
    top = here - 2 + int(np.argmax(power[here - 2 : here + 3]))
    before = power[: top - _BEFORE[1]].max()
    after = power[top + _AFTER[0] :].max()
    return float(10 * np.log10((power[top] + 1e-15) / (max(before, after) + 1e-15)))
