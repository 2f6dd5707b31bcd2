"""An input that sets its own gain: its background comes up in every pause.

In a pause both microphones hear one room, and how much louder one of them is hears of gains alone,
however the room swells. In each pause the level of a microphone against the other is followed from
the tail of the voice to the next word: where gains stand it stays, where one comes up again after
the word that turned it down it rises, in all bands alike and all the way. Where both inputs set
their own, each comes up after its own wearer's words.
"""

from collections.abc import Sequence

import numpy as np

from dualmic.findings.base import BLOCKS_PER_S, Finding, as_note
from dualmic.meters.masks import middle, moving_mean, runs_of
from dualmic.tiles import Mask, Powers

# Our choices.
PAUSE_S, TAIL_S, SMOOTH_BLOCKS = 0.65, 0.25, 5
PAUSE_OVER_DB = 6.0  # over the quietest, as a room full of voices swells in a quarter of a second
RISE_DB = 1.0  # a gain comes up by several; where gains stand, 1 of 100 pauses shows as much
PLAIN_RISE_DB = 2.0  # 13 simulated ones came up by 2.5 dB and more in the middle; less only may be
# Of all pauses, where in 176 takes whose gains stand an eighth of a microphone's rose at most.
LEAST_PAUSES, SHARE = 3, 0.2
FEWEST_PAUSES, LARGE_SHARE = 2, 0.5
BAND_RISE_DB, STILL_BANDS = 0.5, 1  # but for what comes in behind the gain, as a hum
# Between bands: a gain lifts all by the same within 1.4 dB, the first soft sounds of a word in a
# noisy place some by nothing, others by ten.
SPREAD_DB = 1.7
BY_MIDDLE = 0.25  # share of a rise that shows by the middle: a breath before a word comes at once
QUIET_PERCENTILE = 5.0
SPEECH, VOICE = slice(1, 7), slice(2, 6)  # of the blocks' bands


def automatic_gain(rises: Sequence[Powers], duration_s: float) -> list[Finding]:
    """Return the microphones whose gain follows the voice.

    Args:
        rises: :func:`pause_rises` of each microphone.
        duration_s: length of the take.

    """
    found = []
    for mic in (0, 1):
        rising = rises[mic] > RISE_DB
        count, share = int(rising.sum()), float(rising.mean()) if len(rising) else 0.0
        often = count >= LEAST_PAUSES and share >= SHARE
        if not often and not (count >= FEWEST_PAUSES and share >= LARGE_SHARE):
            continue
        value = round(float(np.median(rises[mic][rising])), 1)
        facts = {"automatic": True}
        finding = Finding(
            "level_jump",
            mic,
            0.0,
            duration_s,
            "warn",
            value,
            RISE_DB,
            "dB",
            facts=facts,
            count=count,
        )
        found.append(finding if value >= PLAIN_RISE_DB else as_note(finding))
    return found


def pause_rises(blocks: Powers, mic: int, talk: Mask) -> Powers:
    """Return by how much ``mic`` comes up against the other within each pause of both, in dB.

    Args:
        blocks: band levels of every 50 ms in dB, ``(2, blocks, bands)``, NaN where nothing is.
        mic: 0 or 1.
        talk: which blocks hold speech that the other microphone does not hear, ``(blocks,)``.

    """
    known = np.isfinite(blocks[:, :, SPEECH]).all(axis=(0, 2))
    if not known.any():
        return np.zeros(0)
    power = (10 ** (blocks[1 - mic, :, VOICE] / 10)).sum(axis=1)
    voice = 10 * np.log10(moving_mean(np.where(known, power, 0.0), SMOOTH_BLOCKS) + 1e-16)
    pause = known & (voice < np.percentile(voice[known], QUIET_PERCENTILE) + PAUSE_OVER_DB) & ~talk
    apart = blocks[mic, :, SPEECH] - blocks[1 - mic, :, SPEECH]
    rises = []
    for start, end in zip(*runs_of(pause), strict=True):
        if end - start < PAUSE_S * BLOCKS_PER_S:
            continue
        first, last = start + int(TAIL_S * BLOCKS_PER_S), end - 1
        third = max((last - first) // 3, 2)
        early, halfway, late = (
            middle(apart[low:high])
            for low, high in (
                (first, first + third),
                (first + third, max(last - third, first + third + 1)),
                (last - third, last),
            )
        )
        by = late - early
        risen = float(middle(by))
        near = np.sort(np.abs(by - risen))[: len(by) - STILL_BANDS]
        alike = bool(np.sort(by)[STILL_BANDS] > BAND_RISE_DB)
        alike &= float(np.sqrt(np.mean(near**2))) < SPREAD_DB
        alike &= float(middle(halfway - early)) > BY_MIDDLE * risen
        rises.append(risen if alike else min(risen, 0.0))
    return np.array(rises)
