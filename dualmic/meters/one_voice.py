"""One voice that both microphones hear as their own: somebody turned round for an answer.

Where a leak is far above its usual level, both microphones hold more than noise and leak, and both
wearers seem to speak. But a leak follows its voice up and down, and two people's words do not
(:func:`follow`). Whose voice it is the levels cannot tell there; the conversation can: people take
turns, so it belongs to the one who did not speak just before and after.
"""

import numpy as np

from dualmic.meters.masks import bridged, moving_mean, runs_of
from dualmic.meters.spectrum import voice_power
from dualmic.tiles import Mask, Powers

# Our choices, tuned on simulated scenes.
FOLLOWS = 0.75  # correlation of the two levels in dB: a leak stays near 1
LEAST_S = 1.0
BRIDGE_S = 0.7
BESIDE_S = 6.0
EDGE_CELLS = 20
CLEARLY = 2.0  # as much speech beside it as the other has
_SMOOTH = 5


def voice_db(bands_db: np.ndarray) -> Powers:
    """Return one microphone's level from 300 Hz to 4 kHz over 50 ms, ``(cells,)``."""
    return 10 * np.log10(moving_mean(voice_power(bands_db), _SMOOTH) + 1e-16)


def follow(first_db: Powers, second_db: Powers) -> bool:
    """Whether two levels over time rise and fall together: one voice in both microphones."""
    if len(first_db) < 2 * _SMOOTH or min(first_db.std(), second_db.std()) < 1e-6:
        return False
    return bool(np.corrcoef(first_db, second_db)[0, 1] > FOLLOWS)


def with_one_owner(bands_db: np.ndarray, own: Mask) -> Mask:
    """Return ``own`` ``(2, cells)`` with stretches of one voice left to whoever it belongs to."""
    both = own[0] & own[1]
    starts, ends = runs_of(bridged(both, round(BRIDGE_S * 100)))
    long = ends - starts >= LEAST_S * 100
    if not long.any():
        return own
    level = [voice_db(bands_db[mic]) for mic in (0, 1)]
    own = own.copy()
    for start, end in zip(starts[long], ends[long], strict=True):
        if both[start:end].sum() < LEAST_S * 100:
            continue
        if follow(level[0][start:end], level[1][start:end]):
            owner = _owner(own, int(start), int(end))
            if owner is not None:
                own[1 - owner, start:end] = False
    return own


def _owner(own: Mask, start: int, end: int) -> int | None:
    """Say whose voice a stretch is; None if the conversation does not tell."""
    before = own[:, max(start - EDGE_CELLS, 0) : start]
    after = own[:, end : end + EDGE_CELLS]
    goes_on = before.all(axis=1) * (before.shape[1] > 0) | after.all(axis=1) * (after.shape[1] > 0)
    if goes_on[0] != goes_on[1]:
        return int(np.argmax(goes_on))
    beside = round(BESIDE_S * 100)
    spoken = own[:, max(start - beside, 0) : start].sum(axis=1)
    spoken = spoken + own[:, end : end + beside].sum(axis=1)
    if spoken.max() < CLEARLY * max(spoken.min(), 1):
        return None
    return int(np.argmin(spoken))
