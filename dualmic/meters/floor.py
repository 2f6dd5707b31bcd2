"""The noise under speech, band by band and as it changes: a floor that who-speaks-when stands on.

It is found before anybody knows who speaks, so it cannot be the noise floor of the report (which
is measured in the pauses, see ``noise.py``); it only has to lie under the speech and on the noise.

It changes slowly, so it is kept for every 50 ms only, as natural logarithms of power, and drawn
out between their middles where it is wanted.
"""

import numpy as np

from dualmic.tiles import Floats, Powers

# All thresholds below are our choices, tuned on simulated scenes of other speakers and rooms than
# those the scores are reported on.
GROUP = 5  # cells; floors are taken of powers over 50 ms
FLOOR_WINDOW_S, FLOOR_STEP_S = 12.0, 2.0
STEADY_S = 2.0
STEADY_RATIO = 10 ** (3.0 / 10)  # mean over low percentile; speech has 8 dB and more
FLOOR_PERCENTILE = 8.0
FLOOR_BIAS_DB = 1.2  # from the percentile of 50 ms powers back to their mean, for steady noise
_TOGETHER = 4000  # windows, of no influence on results
SILENCE_POWER = 1e-12  # -120 dBFS: below any analogue background, so a mute, not a floor

# Each cell lies between the middles of two groups: shares of the group before, its own, the next.
_OFFSET = (np.arange(GROUP) + 0.5) / GROUP - 0.5
_SHARES = np.stack([np.maximum(-_OFFSET, 0), 1 - np.abs(_OFFSET), np.maximum(_OFFSET, 0)]).astype(
    np.float32
)


def noise_floor(power: Powers | Floats) -> Floats:
    """Return the noise under one band's cell powers ``(cells,)``, as power a cell."""
    return floor_at(floor_of(group_means(power), power), 0, len(power))


def group_means(power: Powers | Floats) -> Floats:
    """Return the mean power of every 50 ms, ``(..., groups)``; what is left over is left out."""
    count = power.shape[-1] // GROUP
    cut = power[..., : count * GROUP].reshape(*power.shape[:-1], count, GROUP)
    return cut.mean(axis=-1, dtype=np.float32)


def floor_of(mean: Floats, power: Powers | Floats) -> Floats:
    """Return the floor under the means of every 50 ms, ``(groups,)``, as natural logarithm.

    A low percentile over 12 s looks through speech, whose gaps come more often than that. A fan
    that starts would pass for speech until the window has left the quiet before it behind, so
    stretches of two seconds that hardly fluctuate count as noise at once: speech never keeps its
    level.

    Args:
        mean: :func:`group_means` of the band.
        power: its cells; of less than four groups, the lowest of them is the floor.

    """
    if len(mean) < 4:
        least = max(float(power.min(initial=1.0)), SILENCE_POWER)
        return np.full(max(len(mean), 1), np.log(least), np.float32)
    mean = np.where(mean > SILENCE_POWER, mean, np.float32(np.inf))
    live = mean[np.isfinite(mean)]
    if not len(live):
        return np.full(len(mean), np.log(SILENCE_POWER), np.float32)
    whole = float(np.percentile(live, FLOOR_PERCENTILE))
    long = _percentiles(mean, FLOOR_WINDOW_S, FLOOR_STEP_S, whole)
    level = np.maximum(long, np.log(np.maximum(_steady(mean), 1e-30)))
    return (level + FLOOR_BIAS_DB * np.log(10) / 10).astype(np.float32)


def floor_at(floor: Floats, first: int, end: int) -> Floats:
    """Return the floor of cells ``first`` to before ``end`` as power, ``(..., cells)``.

    Args:
        floor: :func:`floor_of`, one or many of them, ``(..., groups)``.
        first: a cell at which a group begins.
        end: one past the last cell.

    """
    start = first // GROUP
    count = -(-(end - first) // GROUP)
    at = np.clip(np.arange(start - 1, start + count + 1), 0, floor.shape[-1] - 1)
    near = floor[..., at]
    drawn = sum(near[..., k : k + count, None] * share for k, share in enumerate(_SHARES))
    assert isinstance(drawn, np.ndarray)
    return np.exp(drawn).reshape(*floor.shape[:-1], -1)[..., : end - first]


def _percentiles(mean: Floats, window_s: float, step_s: float, whole: float) -> Powers:
    """Return the logarithm of a low percentile over sliding windows; silent groups left out."""
    per_s = 100 // GROUP
    length, step = int(window_s * per_s), int(step_s * per_s)
    if len(mean) <= length:
        return np.full(len(mean), np.log(whole))
    last = len(mean) - length
    starts = np.append(np.arange(0, last, step), last)
    windows = np.lib.stride_tricks.sliding_window_view(mean, length)
    floors = np.empty(len(starts))
    for first in range(0, len(starts), _TOGETHER):
        part = slice(first, first + _TOGETHER)
        ordered = np.sort(windows[starts[part]], axis=1)
        live = np.isfinite(ordered).sum(axis=1)
        at = np.minimum((live * FLOOR_PERCENTILE / 100).astype(int), length - 1)
        low = ordered[np.arange(len(ordered)), at]
        floors[part] = np.where(live >= 0.1 * length, low, whole)
    return np.interp(np.arange(len(mean)), starts + length / 2, np.log(floors))


def _steady(mean: Floats) -> Floats:
    """Return the level of stretches that hardly fluctuate, and zero elsewhere, ``(groups,)``."""
    length, step = int(STEADY_S * 100) // GROUP, int(STEADY_S * 25) // GROUP
    level = np.zeros(len(mean), np.float32)
    if len(mean) < length:
        return level
    windows = np.lib.stride_tricks.sliding_window_view(mean, length)[::step]
    for first in range(0, len(windows), _TOGETHER):
        near = windows[first : first + _TOGETHER]
        low = np.sort(near, axis=1)[:, int(length * FLOOR_PERCENTILE / 100)]
        average = near.mean(axis=1)
        for k in np.flatnonzero(np.isfinite(average) & (average < STEADY_RATIO * low)):
            part = slice((first + k) * step, (first + k) * step + length)
            level[part] = np.maximum(level[part], low[k])
    return level
