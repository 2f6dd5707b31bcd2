"""When a hum comes or goes, finer than the ten seconds its steady spectrum is taken over.

Once a hum's lines are known, each is followed as a phasor: the sound is turned back by the line's
frequency and averaged over a fifth of a second. While the hum is there the phasor stands still;
voices turn it at random. So what each moment holds of the standing phasors, all lines together, is
one with the hum and zero without, and the moment is where a step from the one to the other fits
best.
"""

import numpy as np

from dualmic.tiles import Floats

STEP_S, WINDOW_S = 0.05, 0.2
# Our choices. A line's frequency is read to a hundredth of a hertz; the mains stray no further in
# ten seconds.
STRAY_HZ, STRAY_STEP_HZ = 0.1, 0.005
LEAST_S = 1.0  # of either side
# Share of the unrest that the step explains: where the hum is known to be gone on the other side,
# and where only this tells.
LEAST_FIT, LEAST_FIT_ALONE = 0.25, 0.65


def edge_s(
    samples: Floats,
    rate_hz: int,
    lines_hz: list[float],
    *,
    comes: bool,
    known: slice,
    alone: bool = False,
) -> float | None:
    """Return when a hum comes or goes within ``samples`` ``(frames,)``, in seconds from its start.

    Args:
        samples: one channel's low end.
        rate_hz: its sample rate.
        lines_hz: the hum's lines.
        comes: whether it comes; else it goes.
        known: frames in which it is there throughout, or nearly.
        alone: nothing else says that it comes or goes here.

    """
    step, length = round(STEP_S * rate_hz), round(WINDOW_S * rate_hz)
    if len(samples) < length + 2 * round(LEAST_S * rate_hz):
        return None
    window = np.hanning(length + 2)[1:-1].astype(np.float32)
    windows = np.lib.stride_tricks.sliding_window_view(samples, length)[::step]
    turn = np.exp(-2j * np.pi * np.outer(np.arange(length), lines_hz) / rate_hz)
    starts = np.arange(len(windows)) * step
    phasors = (windows * window) @ turn.astype(np.complex64)
    phasors = phasors * np.exp(-2j * np.pi * np.outer(starts, lines_hz) / rate_hz)
    inside = (starts >= known.start) & (starts + length <= known.stop)
    if inside.sum() < LEAST_S / STEP_S:
        return None
    time_s = starts / rate_hz
    held, weight = np.zeros(len(starts)), 0.0
    for row in phasors.T:
        strays = np.arange(-STRAY_HZ, STRAY_HZ + STRAY_STEP_HZ / 2, STRAY_STEP_HZ)
        back = np.exp(-2j * np.pi * np.outer(strays, time_s))
        means = (back[:, inside] * row[inside]).mean(axis=1)
        best = int(np.argmax(np.abs(means)))
        size = float(np.abs(means[best]))
        if size == 0.0:  # digital silence: the hum is gone from where it was told
            return None
        along = (row * back[best] * means[best].conj() / size).real / size
        # A line that voices cover counts for less than one that stands still.
        steady = 1.0 / (0.05 + float(np.var(along[inside])))
        held += steady * np.clip(along, -1.0, 2.0)
        weight += steady
    fit = LEAST_FIT_ALONE if alone else LEAST_FIT
    return _step_s(held / weight, time_s + WINDOW_S / 2, fit, comes=comes)


def _step_s(held: np.ndarray, time_s: np.ndarray, fit: float, *, comes: bool) -> float | None:
    """Return where a step from 0 to 1, or back, fits best; None where none fits well."""
    with_hum, without = (held - 1.0) ** 2, held**2
    first, then = (without, with_hum) if comes else (with_hum, without)
    left = np.concatenate([[0.0], np.cumsum(first)])
    right = np.concatenate([np.cumsum(then[::-1])[::-1], [0.0]])
    cost = left + right
    at = int(np.argmin(cost))
    least = round(LEAST_S / STEP_S)
    if not least <= at <= len(held) - least:
        return None
    total = float(((held - held.mean()) ** 2).sum())
    if cost[at] > (1 - fit) * total:
        return None
    return float((time_s[at - 1] + time_s[at]) / 2)
