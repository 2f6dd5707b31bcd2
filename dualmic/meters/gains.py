"""Steps of gain undone: band levels as they would be had nobody turned an input during the take.

How loud a voice is in the other microphone holds for as long as both gains stand. Where one was
turned, all that is known of leaks is wrong on the far side of that moment, so steps that are sure
are taken out before anybody is asked who speaks.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dualmic.stack import Stack
from dualmic.tiles import CELLS_PER_S, Floats, Powers


@dataclass(frozen=True)
class GainStep:
    """From ``at_s`` on, all that microphone ``mic`` holds is louder by ``by_db``."""

    mic: int
    at_s: float
    by_db: float


def gains_db(steps: Sequence[GainStep], mic: int, cells: int) -> Floats:
    """Return how much louder each cell is than at the gain that stood longest, ``(cells,)``."""
    turned = np.zeros(cells, np.float32)
    for step in steps:
        if step.mic == mic:
            turned[max(round(step.at_s * CELLS_PER_S), 0) :] += step.by_db
    return turned - np.median(turned) if cells else turned


def without_gains(bands_db: np.ndarray, steps: Sequence[GainStep]) -> np.ndarray:
    """Return ``bands_db`` ``(2, cells, bands)`` as from gains that stand; itself without steps."""
    if not steps:
        return bands_db
    turned = np.stack([gains_db(steps, mic, bands_db.shape[1]) for mic in (0, 1)])
    levelled = Stack()  # a take of hours is kept where its meters keep it
    for first in range(0, bands_db.shape[1], CELLS_PER_S):
        part = slice(first, first + CELLS_PER_S)
        levelled.add((bands_db[:, part] - turned[:, part, None]).astype(bands_db.dtype))
    return levelled.joined((2, 0, bands_db.shape[2]), bands_db.dtype.type)


def steady_power(power: Powers, own: np.ndarray, steps: Sequence[GainStep], mic: int) -> Powers:
    """Return a microphone's cell powers as from one gain, its wearer's mean power unchanged.

    Args:
        power: ``(cells,)``.
        own: the cells in which its wearer speaks, ``(cells,)``.
        steps: of both microphones.
        mic: which of them it is.

    """
    if not any(step.mic == mic for step in steps):
        return power
    steady = power * 10 ** (-gains_db(steps, mic, len(power)) / 10)
    before, after = float(power[own].sum()), float(steady[own].sum())
    return steady * (before / after) if before > 0 and after > 0 else steady
