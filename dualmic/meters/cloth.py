"""What fills every band at once is no voice: cloth, a breath, a machine that starts.

Sound on one microphone alone, such as cloth, lies far from both people's level differences and
would pass for a person of its own; in a pause it would pass for its wearer's words. A voice keeps
its power in some bands at a time. That holds whatever leaks, so it can be asked before anything
is known of the take.
"""

import numpy as np

from dualmic.meters.bands import Bands, stretches
from dualmic.meters.masks import longer, mask_of, moving_mean, number_in, runs_of
from dualmic.meters.spectrum import SPEECH_BANDS_HZ
from dualmic.tiles import Floats, Mask, power_db

# Our choices. Averaged over a third of a second, the densities of a voice's bands lie 17 dB and
# more apart (1 % of simulated speech is below), those of cloth under 13 dB (90 % of it).
MEAN_CELLS = 31
WIDEST_DB = 15.0
# All bands stand over the noise; what lies under it cannot make a spectrum flat.
LEAST_OVER_DB = 3.0
MOST_OVER_DB = 15.0  # so that a single crack makes no third of a second of cloth
LONGEST_CELLS = 300  # what lasts longer is a machine: the background changes
HEARD_DB = 4.0  # in the band that stands out most; the noise alone stays under it
CLOTH_SHARE = 0.6  # of a stretch of seeming speech that no voice could have made
SHORTEST_CELLS = 20  # two syllables of hissing last less


def flat_noise(powers: Floats, floors: Floats) -> tuple[Mask, Mask]:
    """Return where a microphone holds sound that is no voice, and where any, ``(cells,)`` each.

    Args:
        powers: of one microphone, ``(bands, cells)``.
        floors: the noise under them.

    """
    widths = power_db(np.diff(SPEECH_BANDS_HZ))
    high, most = (np.full(powers.shape[1], -np.inf) for _ in range(2))
    low, least = -high, -most
    for power, floor, width in zip(powers, floors, widths, strict=True):
        mean = moving_mean(power, MEAN_CELLS)
        density = power_db(np.maximum(mean - floor, 0.1 * floor)) - width
        high, low = np.maximum(high, density), np.minimum(low, density)
        over = moving_mean(np.minimum(power_db(power / floor), MOST_OVER_DB), MEAN_CELLS)
        most, least = np.maximum(most, over), np.minimum(least, over)
    flat = longer((high - low < WIDEST_DB) & (least > LEAST_OVER_DB), SHORTEST_CELLS)
    return flat, most > HEARD_DB


def flat_and_heard(heard: Bands, mic: int) -> tuple[Mask, Mask]:
    """Return the same of a whole take, ``(cells,)`` each, a stretch at a time."""
    flat, audible = np.zeros((2, heard.cells), bool)
    for stretch in stretches(heard.cells):
        found = flat_noise(heard.power(mic, stretch), heard.floor(mic, stretch))
        flat[stretch.part], audible[stretch.part] = (mask[stretch.inside] for mask in found)
    return flat, audible


def brief(flat: Mask) -> Mask:
    """Return what is no part of the background: what lasts like a machine is one."""
    return flat & ~longer(flat, LONGEST_CELLS)


def without_cloth(own: Mask, flat: Mask, cloth: Mask, shortest: int) -> Mask:
    """Take back what cloth or a breath made: all of a stretch, or what one microphone hears.

    Args:
        own: ``(2, cells)``, where each wearer seems to speak.
        flat: where each microphone holds sound that is no voice.
        cloth: where it alone does.
        shortest: speech is that many cells or more.

    """
    kept = own & ~cloth
    for m in (0, 1):
        starts, ends = runs_of(kept[m])
        cloth_only = number_in(flat[m], starts, ends) > CLOTH_SHARE * (ends - starts)
        kept[m] &= ~mask_of(starts[cloth_only], ends[cloth_only], len(kept[m]))
        kept[m] = longer(kept[m], shortest)
    return kept
