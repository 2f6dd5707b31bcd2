"""Safe copies: channels that hold one of the microphones a second time, at another gain.

Cameras often record a microphone again some decibels lower, so that a shout that clips the main
channel is whole on the other. Such a channel follows the microphone's level cell by cell, a fixed
gain apart.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import msgspec
import numpy as np

from dualmic.measure import Measured
from dualmic.meters.clipping import clipped_frames
from dualmic.record import MIC_ROLES, Channel
from dualmic.tiles import Powers

# Our choices: half of the cells in which both hold sound agree within half a decibel. Two
# microphones a hand apart already differ by several.
AGREE_DB = 0.5
LEAST_CELLS = 300
LEAST_POWER = 1e-8  # -80 dBFS: a copy turned down is compared where its own noise does not rule


@dataclass(frozen=True)
class SafeCopy:
    """A safe copy: ``row`` in :class:`dualmic.measure.OtherChannels`, channel from 1."""

    row: int
    channel: int
    mic: int
    gain_offset_db: float


def find_copies(measured: Measured) -> list[SafeCopy]:
    """Return every other channel that is a copy of a microphone."""
    others = measured.others
    if others is None:
        return []
    copies = []
    for row, channel in enumerate(others.rows):
        fits = []
        for mic in (0, 1):
            found = _offset(measured.levels.power[mic], others.levels.power[row])
            if found is not None:
                fits.append((found[1], mic, found[0]))
        if fits:
            _, mic, offset_db = min(fits)
            copies.append(SafeCopy(row, channel + 1, mic, round(offset_db, 2)))
    return copies


def _offset(mic: Powers, other: Powers) -> tuple[float, float] | None:
    """Return the gain of ``other`` over ``mic`` in dB and how far cells stray from it."""
    both = (mic > LEAST_POWER) & (other > LEAST_POWER)
    if both.sum() < LEAST_CELLS:
        return None
    loud = both & (mic > np.percentile(mic[both], 50))
    difference_db = 10 * np.log10(other[loud] / mic[loud])
    middle = float(np.median(difference_db))
    stray = float(np.median(np.abs(difference_db - middle)))
    return (middle, stray) if stray < AGREE_DB else None


def with_copies(channels: Sequence[Channel], copies: Sequence[SafeCopy]) -> list[Channel]:
    """Return the channels with the role of each safe copy filled in."""
    of = {copy.channel: copy for copy in copies}
    home = {MIC_ROLES.index(c.role): c.channel for c in channels if c.role in MIC_ROLES}
    return [
        msgspec.structs.replace(
            c,
            role="safety",
            safety_of=home[of[c.channel].mic],
            gain_offset_db=of[c.channel].gain_offset_db,
        )
        if c.channel in of
        else c
        for c in channels
    ]


def copy_is_whole(measured: Measured, copy: SafeCopy, start_s: float, end_s: float) -> bool:
    """Whether a copy holds sound without flat tops from ``start_s`` to ``end_s``."""
    assert measured.others is not None
    start, end = round(start_s * 100), round(end_s * 100)
    flat = clipped_frames(measured.others.tops, copy.row, is_float=measured.is_float)
    power = measured.others.levels.power[copy.row][start:end]
    return bool(not flat[start:end].any() and len(power) and (power > 0).all())
