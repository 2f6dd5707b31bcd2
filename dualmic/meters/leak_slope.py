"""By how much a voice rises in its own microphone for each dB by which its leak in the other does.

Syllable by syllable a voice and its leak rise and fall alike: the slope is one, and somewhat less
where a room or a noise moves the leak. An input whose gain follows the words evens out its own
voice and not the leak. How much of a word is missing in the other microphone then tells how soft
the word was, and nothing else. What sounds in one microphone alone leaves the slope as it is.
"""

import numpy as np

from dualmic.meters.bands import voice_power
from dualmic.meters.floor import noise_floor
from dualmic.meters.speech import Activity
from dualmic.stack import let_go
from dualmic.tiles import power_db

# Our choices. Over a tenth of a second reflections count as the sound they are of; between moments
# a third of a second apart a voice has changed its level, and nobody has moved.
SMOOTH_CELLS, APART_CELLS = 13, 30
OVER_NOISE = 3.0  # voice and leak, without it: nearer, the noise swings and not the leak
LEAST_PAIRS = 200


def leak_slope(bands_db: np.ndarray, activity: Activity, mic: int) -> float | None:
    """Return the slope for the voice of ``mic``'s wearer, if its leak shows for long enough.

    Args:
        bands_db: band levels of both microphones, ``(2, cells, bands)``.
        activity: who speaks.
        mic: 0 or 1.

    """
    levels, heard = [], activity.single[mic].copy()
    for row in (mic, 1 - mic):
        power = voice_power(bands_db[row], smooth_cells=SMOOTH_CELLS)
        floor = noise_floor(power)
        heard &= power > (1 + OVER_NOISE) * floor
        levels.append(np.maximum(power - floor, 1e-15))
        let_go()
    first = np.flatnonzero(heard[:-APART_CELLS] & heard[APART_CELLS:])
    if len(first) < LEAST_PAIRS:
        return None
    voice, leak = (power_db(row[first + APART_CELLS] / row[first]) for row in levels)
    return float(voice @ leak / (leak @ leak))
