"""An input that sets its own gain: the background comes up in every pause.

The pauses are taken from the other microphone, whose gain stands still. In each, the level of this
one is followed from the tail of the voice to the next word: a room lets it fall, an automatic gain
lets it rise, in every band alike and all the way.
"""

from collections.abc import Sequence

import numpy as np

from dualmic.findings.base import BLOCKS_PER_S, Finding
from dualmic.meters.masks import runs_of
from dualmic.tiles import Powers

# Our choices.
PAUSE_S, TAIL_S = 0.6, 0.25
PAUSE_OVER_DB = 4.0
RISE_DB = 1.5
LEAST_PAUSES = 3
# Of all pauses; in none of 150 takes whose gains stand still more than a sixth did.
SHARE = 0.35
OTHERS_SHARE = 0.4  # where the other microphone, too, comes up in so many: the room does
BAND_RISE_DB = 1.0
BY_MIDDLE = 0.25  # share of a rise that shows by the middle: a breath before a word comes at once
QUIET_PERCENTILE = 5.0


def automatic_gain(rises: Sequence[Powers], duration_s: float) -> list[Finding]:
    """Return the microphones whose gain follows the voice.

    Args:
        rises: :func:`pause_rises` of each microphone.
        duration_s: length of the take.

    """
    found = []
    for mic in (0, 1):
        here, there = rises[mic], rises[1 - mic]
        if len(here) < LEAST_PAUSES:
            continue
        rising = here > RISE_DB
        if rising.sum() < LEAST_PAUSES or rising.mean() < SHARE:
            continue
        if len(there) and (there > RISE_DB).mean() > OTHERS_SHARE:
            continue  # both come up: something in the room does
        value = round(float(np.median(here[rising])), 1)
        facts = {"automatic": True}
        found.append(
            Finding(
                "level_jump",
                mic,
                0.0,
                duration_s,
                "warn",
                value,
                RISE_DB,
                "dB",
                facts=facts,
                count=int(rising.sum()),
            )
        )
    return found


def pause_rises(blocks: Powers, mic: int) -> Powers:
    """Return by how much the level of ``mic`` comes up within each pause of the other, in dB.

    Args:
        blocks: band levels of every 50 ms in dB, ``(2, blocks, bands)``, NaN where nothing is.
        mic: 0 or 1.

    """
    voice = 10 * np.log10((10 ** (blocks[1 - mic, :, 2:6] / 10)).sum(axis=1))
    known = np.isfinite(voice) & np.isfinite(blocks[mic]).all(axis=1)
    if not known.any():
        return np.zeros(0)
    floor = np.percentile(voice[known], QUIET_PERCENTILE)
    pause = known & (np.nan_to_num(voice, nan=np.inf) < floor + PAUSE_OVER_DB)
    rises = []
    for start, end in zip(*runs_of(pause), strict=True):
        start += int(TAIL_S * BLOCKS_PER_S)
        end -= 1
        third = max((end - start) // 3, 2)
        if end - start < (PAUSE_S - TAIL_S) * BLOCKS_PER_S:
            continue
        early, middle, late = (
            np.median(blocks[mic, first:last, 1:], axis=0)
            for first, last in (
                (start, start + third),
                (start + third, max(end - third, start + third + 1)),
                (end - third, end),
            )
        )
        by = late - early
        alike = bool((by > BAND_RISE_DB).all())
        alike &= float(np.median(middle - early)) > BY_MIDDLE * float(np.median(by))
        rises.append(float(np.median(by)) if alike else min(float(np.median(by)), 0.0))
    return np.array(rises)
