"""Backgrounds that step up or down, told by the blocks that hold nothing else.

Every quiet block of the seconds before is held against those of the seconds after, pauses and what
lies between words alike. That needs talk to stop now and then, and takes every band at once: a
change too small to show in single bands shows in the whole. See ``floors.py`` for the other way.
"""

import numpy as np

from dualmic.findings.base import BLOCK_CELLS
from dualmic.findings.floors import Step
from dualmic.findings.moments import moment
from dualmic.tiles import Mask, Powers

# All our choices, tuned on simulated scenes.
SIDE_S = 3.0  # of quiet on either side, as far as there is so much
LEAST_S = 0.5
CHANGE_DB = 3.5
SPLIT_DB = 3.0
APART_DB = 2.0  # the quarters of blocks next to the change keep this far apart
STEADY_NOISE_DB = 4.0  # between quartiles: machines and hiss are steady, traffic is not
MOST_GONE = 0.3  # of a side's blocks in which a microphone was silent: a gap, else it is not there
# A-weighting at the middle of each band, 20 to 100 Hz, the speech bands, and 8 to 20 kHz:
# IEC 61672-1, rounded.
A_DB = np.array([-26.0, -13.0, -5.5, -1.0, 0.9, 1.2, 0.0, -4.3])


def find_quiet_steps(blocks: Powers, quiet: Mask, talk: Mask, pause: Mask) -> list[Step]:
    """Split the quiet blocks at the largest change, then each side again.

    Args:
        blocks: band levels of every 50 ms in dB, ``(2, blocks, bands)``, NaN where nothing is.
        quiet: which blocks hold the background alone.
        talk: which hold anybody's speech, ``(blocks,)``.
        pause: which lie in pauses, ``(blocks,)``.

    """
    at = np.flatnonzero(quiet)
    levels = blocks[:, at]
    weighted = _measures(levels)
    found: list[Step] = []
    parts = [(0, len(at))]
    while parts:
        first, end = parts.pop()
        split = _split(weighted[:, first:end])
        if split is None:
            continue
        change = _change(blocks, levels, weighted, at, (first, first + split, end), (talk, pause))
        if change is not None:
            found.append(change)
        parts += [(first, first + split), (first + split, end)]
    return sorted(found, key=lambda step: step.at)


def _split(weighted: Powers) -> int | None:
    """Return where the means of up to three seconds on either side differ most, if by enough."""
    count = weighted.shape[1]
    most, least = (int(s * 100) // BLOCK_CELLS for s in (SIDE_S, LEAST_S))
    if count < 2 * least:
        return None
    live = np.isfinite(weighted)
    zero = np.zeros((len(weighted), 1))
    total = np.concatenate([zero, np.cumsum(np.where(live, weighted, 0), axis=1)], axis=1)
    number = np.concatenate([zero, np.cumsum(live, axis=1)], axis=1)
    k = np.arange(least, count - least + 1)
    low, high = np.maximum(k - most, 0), np.minimum(k + most, count)
    with np.errstate(invalid="ignore", divide="ignore"):
        before = (total[:, k] - total[:, low]) / (number[:, k] - number[:, low])
        after = (total[:, high] - total[:, k]) / (number[:, high] - number[:, k])
    size = np.nan_to_num(np.abs(after - before), nan=0.0).max(axis=0)
    best = int(np.argmax(size))
    return int(k[best]) if size[best] >= SPLIT_DB else None


def _change(
    blocks: Powers,
    levels: Powers,
    weighted: Powers,
    at: np.ndarray,
    parts: tuple[int, int, int],
    masks: tuple[Mask, Mask],
) -> Step | None:
    """Describe the change at quiet block ``parts[1]``; None if the two sides are not two levels."""
    first, split, end = parts
    most, least = (int(s * 100) // BLOCK_CELLS for s in (SIDE_S, LEAST_S))
    sides = slice(max(split - most, first), split), slice(split, min(split + most, end))
    before, after = (_medians(levels[:, side]) for side in sides)
    rows = _measures(after) - _measures(before)
    rows[np.isnan(weighted).all(axis=1)] = np.nan
    if not np.isfinite(rows).any() or np.nanmax(np.abs(rows)) < CHANGE_DB:
        return None
    row = int(np.nanargmax(np.abs(rows)))
    change = rows[row // 2 * 2 : row // 2 * 2 + 2]
    quartiles = [np.nanpercentile(weighted[row, side], [25, 75]) for side in sides]
    lower, upper = quartiles if rows[row] > 0 else quartiles[::-1]
    if lower[1] > upper[0] - APART_DB or upper[1] - upper[0] > STEADY_NOISE_DB:
        return None
    # What says nothing of the whole is not asked for the moment either.
    known = np.where(np.isfinite(change)[:, None], before, np.nan)
    near = int(at[max(split - least, first)]), int(at[min(split + least, end) - 1]) + 1
    moment_at, earliest, latest = moment(blocks, known, after, near, *masks)
    return Step(moment_at, earliest, latest, before, after - before, change)


def _medians(levels_db: Powers) -> Powers:
    """Return each band's median level, ``(2, bands)``; NaN of a microphone gone for long."""
    gone = np.isnan(levels_db[..., 0]).mean(axis=1) > MOST_GONE
    some = np.where(gone[:, None, None], 0.0, levels_db)
    return np.where(gone[:, None], np.nan, np.nanmedian(some, axis=1))


def _measures(levels_db: Powers) -> Powers:
    """Return the level of each microphone A-weighted (rows 0 and 1) and flat (rows 2 and 3)."""
    flat = 10 * np.log10((10 ** (levels_db / 10)).sum(axis=-1))
    return np.concatenate([a_weighted_db(levels_db), flat])


def a_weighted_db(levels_db: Powers) -> Powers:
    """Return the A-weighted level of all bands together, ``(..., bands)`` to ``(...)``, in dB."""
    return 10 * np.log10((10 ** ((levels_db + A_DB[: levels_db.shape[-1]]) / 10)).sum(axis=-1))
