"""How much of each voice leaks into the other microphone: by band, and where it changes.

By band a leak is one ratio for the whole take, found where one person speaks. Who turns round, and
whose input is turned or sets itself, leaks more or less for a while, in all bands alike: how many
times the usual it is, is followed wherever one voice alone is heard.
"""

import numpy as np

from dualmic.meters.bands import Bands, stretches
from dualmic.stack import let_go, room
from dualmic.tiles import Floats, Mask, Powers

# Our choices. How far around a leak is held against its usual, and how much of it that takes.
NEAR_CLOSE, NEAR_WIDE, NEAR_STEP, NEAR_LEAST = 150, 400, 100, 40
LEAST_PERCENTILE = 5.0  # of a person's speech, in which their leak may be less still


def first_ratios(
    heard: Bands,
    difference_db: Floats,
    loud: Mask,
    clusters: tuple[float | None, float | None],
) -> Powers:
    """Return the leaks as the level differences alone tell them, once two people gather there."""
    high, low = clusters
    none = np.zeros_like(loud)
    if high is not None and low is not None:
        middle, quarter = (high + low) / 2, (high - low) / 4
        masks = [
            loud & (difference_db > middle + quarter),
            loud & (difference_db < middle - quarter),
        ]
    else:
        masks = [loud if high is not None else none, loud if low is not None else none]
    return ratios(heard, np.stack(masks), np.zeros((2, heard.count)))


def ratios(heard: Bands, masks: Mask, before: Powers, more: Floats | None = None) -> Powers:
    """Return how much of each voice is in the other microphone, by band; ``before`` if unheard.

    ``more``: see :func:`more_leak`.
    """
    ratio = before.copy()
    known = [m for m in (0, 1) if masks[m].sum() >= 20]
    here, there, number = np.zeros((3, 2, heard.count))
    for stretch in stretches(heard.cells):
        for m in known:
            mask = masks[m, stretch.part]
            if not mask.any():
                continue
            own, noise, theirs, beneath = (
                rows[:, stretch.inside][:, mask]
                for rows in (
                    heard.power(m, stretch),
                    heard.floor(m, stretch),
                    heard.power(1 - m, stretch),
                    heard.floor(1 - m, stretch),
                )
            )
            loud = own > 5 * noise  # the voice itself four times the noise
            leaking = own - noise
            if more is not None:
                leaking *= more[m, stretch.part][mask]
            here[m] += np.where(loud, leaking, 0).sum(axis=1, dtype=np.float64)
            there[m] += np.where(loud, theirs - beneath, 0).sum(axis=1, dtype=np.float64)
            number[m] += loud.sum(axis=1)
    enough = number >= 10
    ratio[enough] = np.maximum(there[enough] / here[enough], 0.0)
    return np.minimum(ratio, 4.0e3)


def more_leak(
    difference_db: Floats, single: Mask, clusters: tuple[float | None, float | None]
) -> Floats:
    """Return how many times its usual each voice's leak is around each cell, ``(2, cells)``.

    Who turns round, and whose input is turned or sets itself, leaks more or less for a while.

    Args:
        difference_db: level difference first over second microphone, ``(cells,)``.
        single: where one voice alone is heard for sure, ``(2, cells)``.
        clusters: each person's usual difference, None if unknown.

    """
    cells = single.shape[1]
    more = room(single.shape, np.float32)
    middles = np.arange(0, cells + NEAR_STEP, NEAR_STEP).astype(np.int32)
    for m in (0, 1):
        local_db = np.zeros(len(middles), np.float32)
        at = np.flatnonzero(single[m]).astype(np.int32)
        usual = clusters[m]
        if len(at) >= NEAR_LEAST and usual is not None:
            apart = (difference_db[at] - usual) * (1 if m else -1)
            let_go()
            for reach in (NEAR_WIDE, NEAR_CLOSE):
                first, last = np.searchsorted(at, [middles - reach, middles + reach])
                for k in np.flatnonzero(last - first >= NEAR_LEAST):
                    near = apart[first[k] : last[k]]
                    local_db[k] = np.partition(near, len(near) // 2)[len(near) // 2]
        for stretch in stretches(cells):
            around = np.arange(stretch.first, stretch.end)
            more[m, stretch.part] = 10 ** (np.interp(around, middles, local_db) / 10)
    return more


def least_of(ratio: Powers, more: Floats, own: Mask) -> Powers:
    """Return the leaks at their least: what else is held against them has to miss even that."""
    least = [
        float(np.percentile(more[m][own[m]], LEAST_PERCENTILE)) if own[m].any() else 1.0
        for m in (0, 1)
    ]
    return ratio * np.minimum(np.array(least), 1.0)[:, None]
