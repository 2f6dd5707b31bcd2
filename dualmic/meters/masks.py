"""Small operations on masks over time: runs, bridging gaps, widening. All are vectorised."""

from collections.abc import Iterable

import numpy as np

from dualmic.tiles import Floats, Indices, Mask, Powers


def middle(values: np.ndarray) -> np.ndarray:
    """Return the median over the first axis, for the thousands of short stretches of a take.

    ``values`` are finite and at least one. NumPy's own takes ten times as long for a handful.
    """
    ordered = np.sort(values, axis=0)
    last = len(ordered) - 1
    return np.asarray(0.5 * ordered[last // 2] + 0.5 * ordered[(last + 1) // 2])


def runs_of(mask: Mask) -> tuple[Indices, Indices]:
    """Return first and past-the-end index of each run of True."""
    if not len(mask):
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    change = np.flatnonzero(mask[1:] != mask[:-1]) + 1
    edges = np.concatenate([[0] if mask[0] else [], change, [len(mask)] if mask[-1] else []])
    edges = edges.astype(np.int64)
    return edges[::2], edges[1::2]


def mask_of(starts: Indices, ends: Indices, length: int) -> Mask:
    """Return the mask of ``length`` that is True from each start to before its end."""
    starts, ends = np.clip(starts, 0, length), np.clip(ends, 0, length)
    if (ends >= starts).all() and (starts[1:] >= ends[:-1]).all():  # in order, none inside another
        edges = np.concatenate([[0], np.stack([starts, ends], axis=1).ravel(), [length]])
        values = np.zeros(len(edges) - 1, bool)
        values[1::2] = True
        return np.repeat(values, np.diff(edges))
    step = np.zeros(length + 1, np.int32)
    np.add.at(step, starts, 1)
    np.add.at(step, ends, -1)
    inside: Mask = np.cumsum(step[:length], dtype=np.int32, out=step[:length]) > 0
    return inside


def cells_of(spans: Iterable[tuple[float, float]], cells: int) -> Mask:
    """Return the mask of 10 ms cells that (start_s, end_s) spans touch."""
    ends = [(int(start_s * 100), int(np.ceil(end_s * 100))) for start_s, end_s in spans]
    edges = np.array(ends, np.int64).reshape(-1, 2)
    return mask_of(edges[:, 0], edges[:, 1], cells)


def bridged(mask: Mask, longest_gap: int) -> Mask:
    """Fill gaps of at most ``longest_gap`` between two runs."""
    starts, ends = runs_of(mask)
    if len(starts) < 2:
        return mask.copy()
    small = starts[1:] - ends[:-1] <= longest_gap
    return mask | mask_of(ends[:-1][small], starts[1:][small], len(mask))


def longer(mask: Mask, least: int) -> Mask:
    """Keep only runs of at least ``least``."""
    starts, ends = runs_of(mask)
    keep = ends - starts >= least
    return mask_of(starts[keep], ends[keep], len(mask))


def widened(mask: Mask, before: int, after: int) -> Mask:
    """Let each run begin ``before`` earlier and end ``after`` later."""
    starts, ends = runs_of(mask)
    return mask_of(starts - before, ends + after, len(mask))


def holding(low: Mask, high: Mask, share: float = 0.0) -> Mask:
    """Keep the runs of ``low`` of which more than a share is True of ``high`` (hysteresis)."""
    starts, ends = runs_of(low)
    keep = number_in(high, starts, ends) > share * (ends - starts)
    return mask_of(starts[keep], ends[keep], len(low))


def number_in(mask: Mask, starts: Indices, ends: Indices) -> Indices:
    """Return how many are True from each start to before its end.

    Counted by runs: a running sum of a take of hours is many times as large as its mask.
    """
    first, last = runs_of(mask)
    if not len(first):
        return np.zeros(len(starts), np.int64)
    total = np.concatenate([[0], np.cumsum(last - first)])

    def before(at: Indices) -> Indices:
        run = np.searchsorted(first, at, side="right")
        beyond = np.maximum(last[run - 1] - at, 0)
        counted: Indices = np.where(run > 0, total[run] - beyond, 0)
        return counted

    return before(ends) - before(starts)


def moving_mean(values: Powers | Floats, length: int) -> Powers:
    """Return the centred mean over ``length`` values (odd), shorter at the ends."""
    count, half = len(values), length // 2
    total = np.zeros(count + 1)
    np.cumsum(values, dtype=np.float64, out=total[1:])
    if count <= length:  # every window touches an end
        at = np.arange(count)
        first, last = np.maximum(at - half, 0), np.minimum(at + half + 1, count)
        return (total[last] - total[first]) / (last - first)
    mean = np.empty(count)
    mean[half : count - half] = (total[length:] - total[:-length]) / length
    near = np.arange(half)
    mean[:half] = total[near + half + 1] / (near + half + 1)
    mean[count - half :] = (total[count] - total[count - length + 1 + near]) / (length - 1 - near)
    return mean
