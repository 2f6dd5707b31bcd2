"""The noise under speech, band by band and as it changes: a floor that who-speaks-when stands on.

It is found before anybody knows who speaks, so it cannot be the noise floor of the report (which
is measured in the pauses, see ``noise.py``); it only has to lie under the speech and on the noise.
"""

import numpy as np

from dualmic.tiles import Powers

# All thresholds below are our choices, tuned on simulated scenes of other speakers and rooms than
# those the scores are reported on.
GROUP = 5  # cells; floors are taken of powers over 50 ms
FLOOR_WINDOW_S, FLOOR_STEP_S = 12.0, 2.0
STEADY_S = 2.0
STEADY_RATIO = 10 ** (3.0 / 10)  # mean over low percentile; speech has 8 dB and more
FLOOR_PERCENTILE = 8.0
FLOOR_BIAS_DB = 1.2  # from the percentile of 50 ms powers back to their mean, for steady noise
SILENCE_POWER = 1e-12  # -120 dBFS: below any analogue background, so a mute, not a floor


def noise_floor(power: Powers) -> Powers:
    """Return the noise under one band's cell powers ``(cells,)``, as power a cell.

    A low percentile over 12 s looks through speech, whose gaps come more often than that. A fan
    that starts would pass for speech until the window has left the quiet before it behind, so
    stretches of two seconds that hardly fluctuate count as noise at once: speech never keeps its
    level.
    """
    count = len(power) // GROUP
    if count < 4:
        return np.full(len(power), max(float(power.min(initial=1.0)), SILENCE_POWER))
    mean = power[: count * GROUP].reshape(count, GROUP).mean(axis=1)
    mean = np.where(mean > SILENCE_POWER, mean, np.inf)
    if np.isinf(mean).all():
        return np.full(len(power), SILENCE_POWER)
    whole = float(np.percentile(mean[np.isfinite(mean)], FLOOR_PERCENTILE))
    long = _percentiles(mean, FLOOR_WINDOW_S, FLOOR_STEP_S, whole)
    level = np.maximum(long, _steady(mean))
    at_cells = np.arange(len(power)) / GROUP - 0.5
    smooth = np.interp(at_cells, np.arange(count), np.log(level))
    return np.exp(smooth) * 10 ** (FLOOR_BIAS_DB / 10)


def _percentiles(mean: Powers, window_s: float, step_s: float, whole: float) -> Powers:
    """Return a low percentile over sliding windows, ``(groups,)``; silent groups are left out."""
    per_s = 100 // GROUP
    length, step = int(window_s * per_s), int(step_s * per_s)
    if len(mean) <= length:
        return np.full(len(mean), whole)
    starts = np.unique(np.append(np.arange(0, len(mean) - length, step), len(mean) - length))
    ordered = np.sort(np.lib.stride_tricks.sliding_window_view(mean, length)[starts], axis=1)
    live = np.isfinite(ordered).sum(axis=1)
    at = np.minimum((live * FLOOR_PERCENTILE / 100).astype(int), length - 1)
    floors = ordered[np.arange(len(starts)), at]
    floors = np.where(live >= 0.1 * length, floors, whole)
    return np.exp(np.interp(np.arange(len(mean)), starts + length / 2, np.log(floors)))


def _steady(mean: Powers) -> Powers:
    """Return the level of stretches that hardly fluctuate, and zero elsewhere, ``(groups,)``."""
    length, step = int(STEADY_S * 100) // GROUP, int(STEADY_S * 25) // GROUP
    level = np.zeros(len(mean))
    if len(mean) < length:
        return level
    starts = np.arange(0, len(mean) - length + 1, step)
    windows = np.lib.stride_tricks.sliding_window_view(mean, length)[starts]
    low = np.sort(windows, axis=1)[:, int(length * FLOOR_PERCENTILE / 100)]
    average = windows.mean(axis=1)
    for start in np.flatnonzero(np.isfinite(average) & (average < STEADY_RATIO * low)):
        part = slice(starts[start], starts[start] + length)
        level[part] = np.maximum(level[part], low[start])
    return level
