"""Steps of gain undone: band levels as they would be had nobody turned an input during the take.

How loud a voice is in the other microphone holds for as long as both gains stand. Where one was
turned, all that is known of leaks is wrong on the far side of that moment, so steps that are sure
are taken out before anybody is asked who speaks.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dualmic.meters.bands import stretches
from dualmic.stack import room
from dualmic.tiles import CELLS_PER_S, Floats, Mask, Powers

# Our choice: the knob of an input reaches no further. What adds up to more are no turned gains, and
# undone, hundreds of them would put the levels of a day hundreds of decibels off.
WIDEST_DB = 60.0


@dataclass(frozen=True)
class GainStep:
    """From ``at_s`` on, all that microphone ``mic`` holds is louder by ``by_db``."""

    mic: int
    at_s: float
    by_db: float


def believable(steps: Sequence[GainStep]) -> list[GainStep]:
    """Return the steps of those microphones whose gain stays within :data:`WIDEST_DB`."""
    kept: list[GainStep] = []
    for mic in (0, 1):
        own = sorted((step for step in steps if step.mic == mic), key=lambda step: step.at_s)
        if np.ptp(np.cumsum([0.0, *(step.by_db for step in own)])) <= WIDEST_DB:
            kept += own
    return kept


def gains_db(steps: Sequence[GainStep], mic: int, cells: int) -> Floats:
    """Return how much louder each cell is than at the gain that stood longest, ``(cells,)``."""
    turned = room(cells, np.float32)
    for step in steps:
        if step.mic == mic:
            turned[max(round(step.at_s * CELLS_PER_S), 0) :] += step.by_db
    if cells:
        turned -= np.median(turned)
    return turned


def without_gains(bands_db: np.ndarray, steps: Sequence[GainStep]) -> np.ndarray:
    """Return ``bands_db`` ``(2, cells, bands)`` as from gains that stand; itself without steps."""
    if not steps:
        return bands_db
    levelled = room(bands_db.shape, bands_db.dtype.type)
    for mic in (0, 1):
        turned = gains_db(steps, mic, bands_db.shape[1])
        for stretch in stretches(len(turned)):
            gain = turned[stretch.part, None]
            levelled[mic, stretch.part] = bands_db[mic, stretch.part] - gain
    return levelled


def steady_power(
    power: Powers | Floats, own: Mask, steps: Sequence[GainStep], mic: int
) -> Powers | Floats:
    """Return a microphone's cell powers as from one gain, its wearer's mean power unchanged.

    Args:
        power: ``(cells,)``.
        own: the cells in which its wearer speaks, ``(cells,)``.
        steps: of both microphones.
        mic: which of them it is.

    """
    if not any(step.mic == mic for step in steps):
        return power
    steady = gains_db(steps, mic, len(power))
    before = after = 0.0
    for stretch in stretches(len(power)):
        part, spoken = power[stretch.part], own[stretch.part]
        steady[stretch.part] = part * 10 ** (-steady[stretch.part] / 10)
        before += float(part[spoken].sum(dtype=np.float64))
        after += float(steady[stretch.part][spoken].sum(dtype=np.float64))
    if before > 0 and after > 0:
        steady *= before / after
    return steady
