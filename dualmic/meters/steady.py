"""Sound that passes for a voice and is none, as its level hardly moves: a car, a machine, a tone.

Syllables come and go several times a second. What keeps to a straight course for a whole second,
or swells and fades evenly, nobody says; but for a held vowel, which its wearer's microphone hears
louder than the other: who asks has to leave those out.
"""

import numpy as np

from dualmic.meters.bands import stretches, voice_power
from dualmic.meters.masks import holding, longer, widened
from dualmic.stack import let_go
from dualmic.tiles import Mask, Powers, power_db

SECOND_CELLS, EVERY_CELLS, SMOOTH_CELLS = 100, 10, 5
# Our choice. Nine tenths of a second's levels lie so close about their straight course: of cars
# that pass within 1.2 to 2.8 dB, of 13 000 seconds of speech in rooms and noise within 3.3 dB and
# more but for one, at 2.8 dB.
STEADY_DB, HOLD_DB = 2.5, 3.2
LOW, HIGH = 5, 95
LEAST_CELLS = 50  # what is left of a voice between steady seconds is no word


def steady(bands_db: np.ndarray, own: Mask) -> Mask:
    """Return where what seems somebody's speech is too steady for it, ``(2, cells)``.

    Args:
        bands_db: ``(2, cells, bands)`` band powers in dB.
        own: where each wearer seems to speak, ``(2, cells)``.

    """
    found = np.zeros(own.shape, bool)
    for mic in (0, 1):
        level_db = voice_power(bands_db[mic], smooth_cells=SMOOTH_CELLS)
        for stretch in stretches(len(level_db)):
            part = _steady(power_db(level_db[stretch.wide]), own[mic, stretch.wide])
            found[mic, stretch.part] = part[stretch.inside]
        let_go()
    return found


def _steady(level_db: Powers, own: Mask) -> Mask:
    none = np.zeros(len(own), bool)
    starts = np.arange(0, len(own) - SECOND_CELLS + 1, EVERY_CELLS)
    inside = np.concatenate([[0], np.cumsum(own)])
    starts = starts[inside[starts + SECOND_CELLS] - inside[starts] == SECOND_CELLS]
    if not len(starts):
        return none
    second = np.lib.stride_tricks.sliding_window_view(level_db, SECOND_CELLS)[starts]
    course = np.linspace(-1.0, 1.0, SECOND_CELLS)
    second = second - second.mean(axis=1, keepdims=True)
    second -= (second @ course / (course @ course))[:, None] * course
    low, high = np.percentile(second, [LOW, HIGH], axis=1)
    even, rather = none.copy(), none.copy()
    for mask, most_db in ((even, STEADY_DB), (rather, HOLD_DB)):
        for start in starts[high - low < most_db]:
            mask[start : start + SECOND_CELLS] = True
    found = holding(rather, even)
    rest = own & ~found
    few = rest & ~longer(rest, LEAST_CELLS)
    return found | (few & widened(found, LEAST_CELLS, LEAST_CELLS))
