"""Who speaks when, from both microphones together.

A microphone hears its wearer, the other person's voice as a leak, and noise. For each microphone
and band, noise is a low percentile over some seconds; the leak of a voice into the other microphone
is a ratio, the same for the whole take. Somebody speaks where their own microphone holds clearly
more than noise and the other's expected leak together, in the mean over bands. So the question is
always put to both microphones, whatever their gains: with the leak ratios known, nothing has to be
levelled.

The ratios come from the take: the level difference between the microphones gathers in two clusters,
one for each person; the threshold between the people lies midway. Sound belongs to a microphone by
level, never by arrival: wireless links delay by 2 to 20 ms (common practice, no source).

Conventions: masks are over cells of 10 ms. ``own[m]`` is True where the wearer of microphone m (0
or 1) speaks; turns bridge pauses of up to 0.7 s inside one person's speech (our choice).
"""

from dataclasses import dataclass

import numpy as np

from dualmic.meters.masks import bridged, holding, longer, moving_mean, runs_of, widened
from dualmic.tiles import Mask, Powers

# All thresholds below are our choices, tuned on simulated scenes of other speakers and rooms than
# those the scores are reported on.
GROUP = 5  # cells; floors are taken of powers over 50 ms
FLOOR_WINDOW_S, FLOOR_STEP_S = 12.0, 2.0
STEADY_S = 2.0
STEADY_RATIO = 10 ** (3.0 / 10)  # mean over low percentile; speech has 8 dB and more
FLOOR_PERCENTILE = 8.0
FLOOR_BIAS_DB = 1.2  # from the percentile of 50 ms powers back to their mean, for steady noise
SILENCE_POWER = 1e-12  # -120 dBFS: below any analogue background, so a mute, not a floor
LEAK_DECAY_DB_PER_CELL = 0.9  # 60 dB in 0.67 s: how a room lets a leak die away
START_DB, HOLD_DB = 4.0, 2.2
SHORTEST_S = 0.12
BRIDGE_S = 0.25
TURN_BRIDGE_S = 0.7
CLUSTER_APART_DB = 5.0
PAUSE_AFTER_S, PAUSE_BEFORE_S = 0.3, 0.1
SMOOTH_CELLS = 7
# Somebody's speech lies within this of its own loud parts; what is weaker is not them.
FAINTEST_DB = 32.0


@dataclass(frozen=True)
class Activity:
    """Who speaks when. ``own`` and ``single`` are ``(2, cells)``, ``pause`` is ``(cells,)``.

    ``own``: the wearer speaks (short gaps filled); ``single``: only the wearer; ``pause``: nobody,
    from 0.3 s after to 0.1 s before speech. ``turns``: (microphone, start_s, end_s) in order.
    ``clusters_db``: the level difference first over second microphone while each wearer speaks,
    None where that person was not heard. ``leak_ratio`` ``(2, bands)``: power of m's wearer in the
    other microphone over that in m.
    """

    own: Mask
    single: Mask
    pause: Mask
    turns: list[tuple[int, float, float]]
    clusters_db: tuple[float | None, float | None]
    leak_ratio: Powers


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


def _held(power_db: Powers) -> Powers:
    """Let a level fall no faster than a room lets it: the largest so far, decaying."""
    ramp = np.arange(len(power_db)) * LEAK_DECAY_DB_PER_CELL
    return np.maximum.accumulate(power_db + ramp) - ramp


def _clusters(difference_db: Powers) -> tuple[float | None, float | None]:
    """Find the level differences around which the two people gather, or one of them."""
    if len(difference_db) < 20:
        return None, None
    edges = np.arange(-60.0, 61.0)
    counts, _ = np.histogram(np.clip(difference_db, -58.5, 58.5), edges)
    kernel = np.exp(-0.5 * (np.arange(-6, 7) / 2.0) ** 2)
    density = np.convolve(counts, kernel / kernel.sum(), mode="same")
    density[[0, -1]] = 0.0  # what lies beyond the widest difference gathers just inside
    middle = edges[:-1] + 0.5
    peaks = np.flatnonzero(
        (density[1:-1] >= density[:-2]) & (density[1:-1] > density[2:]) & (density[1:-1] > 0)
    )
    peaks += 1
    best = int(peaks[np.argmax(density[peaks])])
    second, second_height = None, 0.0
    for peak in peaks:
        if abs(middle[peak] - middle[best]) < CLUSTER_APART_DB:
            continue
        low, high = sorted((int(peak), best))
        valley = density[low : high + 1].min()
        # At least half a second of cells, and a valley that parts it from the main cluster.
        height = density[peak]
        if height * 5 >= 50 and valley < 0.7 * height and height > second_height:
            second, second_height = int(peak), height
    if second is None:
        only = float(middle[best])
        return (only, None) if only >= 0 else (None, only)
    return float(max(middle[best], middle[second])), float(min(middle[best], middle[second]))


def find_speech(bands_db: np.ndarray, dead: Mask | None = None) -> Activity:
    """Find who speaks when.

    Args:
        bands_db: ``(2, cells, bands)``, band powers of the interviewer's and the subject's
            microphone in dB, from :class:`dualmic.meters.spectrum.Spectra`.
        dead: ``(2, cells)``, where a microphone is known to hold nothing usable, or None.

    """
    _, cells, bands = bands_db.shape
    power = [
        [10 ** (bands_db[m, :, b].astype(np.float64) / 10) for b in range(bands)] for m in (0, 1)
    ]
    floor = np.empty((2, bands, cells))
    for m in (0, 1):
        for b in range(bands):
            floor[m, b] = noise_floor(power[m][b])
    difference_db, loud = _differences(power, floor)
    both_live = np.ones(cells, bool) if dead is None else ~(dead[0] | dead[1])
    loud &= both_live
    high, low = _clusters(difference_db[loud])
    ratio = _first_ratios(power, floor, difference_db, loud, (high, low))
    own = _talking(power, floor, ratio)
    for _ in range(2):
        ratio = _ratios(power, floor, _single(own) & both_live, ratio)
        own = _talking(power, floor, ratio)
    single = _single(own)
    either = own[0] | own[1]
    pause = ~widened(either, round(PAUSE_BEFORE_S * 100), round(PAUSE_AFTER_S * 100))
    clusters = tuple(
        float(np.median(difference_db[single[m] & loud])) if (single[m] & loud).any() else None
        for m in (0, 1)
    )
    return Activity(own, single, pause, find_turns(own), (clusters[0], clusters[1]), ratio)


def _differences(power: list[list[Powers]], floor: Powers) -> tuple[Powers, Mask]:
    """Return the level difference of each cell, noise removed, and where it is worth looking at."""
    clean = []
    over = np.zeros(len(power[0][0]))
    for m in (0, 1):
        total = np.zeros(len(over))
        noise = np.zeros(len(over))
        for b in range(1, 5):
            total += power[m][b]
            noise += floor[m, b]
        total = moving_mean(total, 9)
        clean.append(np.maximum(total - noise, 0.3 * noise))
        over = np.maximum(over, total / noise)
    difference_db = 10 * np.log10(clean[0] / clean[1])
    active = over > 10
    if not active.any():
        return difference_db, active
    return difference_db, active & (over >= np.percentile(over[active], 40))


def _first_ratios(
    power: list[list[Powers]],
    floor: Powers,
    difference_db: Powers,
    loud: Mask,
    clusters: tuple[float | None, float | None],
) -> Powers:
    high, low = clusters
    if high is None and low is None:
        return np.zeros((2, len(power[0])))
    if high is None or low is None:
        near = loud
        masks = [
            near if high is not None else ~loud & False,
            near if low is not None else ~loud & False,
        ]
        return _ratios(power, floor, masks, np.zeros((2, len(power[0]))))
    middle, quarter = (high + low) / 2, (high - low) / 4
    masks = [
        loud & (difference_db > middle + quarter),
        loud & (difference_db < middle - quarter),
    ]
    return _ratios(power, floor, masks, np.zeros((2, len(power[0]))))


def _ratios(
    power: list[list[Powers]], floor: Powers, masks: list[Mask] | Mask, before: Powers
) -> Powers:
    """Return how much of each voice is in the other microphone, by band; ``before`` if unheard."""
    ratio = before.copy()
    for m in (0, 1):
        mask = masks[m]
        if mask.sum() < 20:
            continue
        for b in range(len(power[0])):
            here = np.maximum(power[m][b][mask] - floor[m, b][mask], 0)
            there = power[1 - m][b][mask] - floor[1 - m, b][mask]
            loud = here > 4 * floor[m, b][mask]
            if loud.sum() >= 10:
                ratio[m, b] = max(there[loud].sum() / here[loud].sum(), 0.0)
    return np.minimum(ratio, 4.0e3)


def _talking(power: list[list[Powers]], floor: Powers, ratio: Powers) -> Mask:
    """Ask each microphone whether it holds more than noise and the other's leak."""
    bands, cells = len(power[0]), len(power[0][0])
    own = np.zeros((2, cells), bool)
    for m in (0, 1):
        score = np.zeros(cells)
        strength = np.zeros(cells)
        for b in range(bands):
            there = np.maximum(power[1 - m][b] - floor[1 - m, b], 1e-16)
            leak = 10 ** (_held(10 * np.log10(there)) / 10) * ratio[1 - m, b]
            expected = floor[m, b] + leak
            score += np.clip(10 * np.log10(power[m][b] / expected), -2, 15)
            strength += np.maximum(power[m][b] - expected, 0)
        score = moving_mean(score / bands, SMOOTH_CELLS)
        strength_db = 10 * np.log10(np.maximum(moving_mean(strength, SMOOTH_CELLS), 1e-16))
        starts = score > START_DB
        if starts.any():
            usual = np.percentile(strength_db[starts], 75)
            starts &= strength_db > usual - FAINTEST_DB
        mask = holding(score > HOLD_DB, starts)
        own[m] = longer(bridged(mask, round(BRIDGE_S * 100)), round(SHORTEST_S * 100))
    return own


def _single(own: Mask) -> Mask:
    """Where one person alone speaks, the tail of the other's speech left out."""
    return np.stack([own[m] & ~widened(own[1 - m], 10, 30) for m in (0, 1)])


def find_turns(own: Mask) -> list[tuple[int, float, float]]:
    """Join each person's speech over pauses of up to 0.7 s that the other does not fill."""
    turns = []
    for m in (0, 1):
        for start, end in zip(*runs_of(bridged(own[m], round(TURN_BRIDGE_S * 100))), strict=True):
            turns.append((m, float(start) / 100, float(end) / 100))
    return sorted(turns, key=lambda turn: (turn[1], turn[0]))


def with_dead_mics(bands_db: np.ndarray, activity: Activity, dead: Mask) -> Activity:
    """Tell the two voices apart where one microphone is dead: by level in the live one.

    Before it died, the live microphone heard its wearer at one level and the other person at
    another; each stretch of speech goes to the nearer of the two. Without such a memory the speech
    stays the live microphone's wearer's.
    """
    own = activity.own.copy()
    for mic in (0, 1):
        live = 1 - mic
        gone = dead[mic] & ~dead[live]
        if not gone.any():
            continue
        power = (10 ** (bands_db[live, :, 1:5].astype(np.float64) / 10)).sum(axis=1)
        usual_own = _typical_db(power, activity.single[live] & ~gone)
        usual_leak = _typical_db(power, activity.single[mic] & ~gone)
        own[mic, gone] = False
        if usual_own is None or usual_leak is None:
            continue
        for start, end in zip(*runs_of(activity.own[live] & gone), strict=True):
            heard = _typical_db(power, mask_between(start, end, len(power)))
            if heard is not None and heard < (usual_own + usual_leak) / 2:
                own[live, start:end] = False
                own[mic, start:end] = True
    single = _single(own)
    return Activity(
        own,
        single,
        activity.pause,
        find_turns(own),
        activity.clusters_db,
        activity.leak_ratio,
    )


def mask_between(start: int, end: int, length: int) -> Mask:
    """Return a mask that is True from ``start`` to before ``end``."""
    mask = np.zeros(length, bool)
    mask[start:end] = True
    return mask


def _typical_db(power: Powers, mask: Mask) -> float | None:
    """Return the level that the louder third of the masked cells has."""
    if mask.sum() < 10:
        return None
    return float(10 * np.log10(np.percentile(power[mask], 70) + 1e-16))
