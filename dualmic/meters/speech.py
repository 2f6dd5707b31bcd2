"""Who speaks when, from both microphones together.

A microphone hears its wearer, the other person's voice as a leak, and noise. For each microphone
and band, noise is a low percentile over some seconds; the leak of a voice into the other microphone
is a ratio (:mod:`dualmic.meters.leaks`). Somebody speaks where their own microphone holds clearly
more than noise and the other's expected leak together, in the mean over bands. So the question is
always put to both microphones, whatever their gains: with the leak ratios known, nothing has to be
levelled.

The ratios come from the take, from where one person alone speaks. Whose voice that is tells best
when it arrives (:mod:`dualmic.meters.places`): never by itself, for wireless links delay by 2 to
20 ms (common practice, no source), but of two people in one take the one's voice arrives later in
the second microphone than the other's. Where no leak stands out, levels tell: the difference
between the microphones gathers in two clusters, and the threshold between the people lies midway.

Conventions: masks are over cells of 10 ms. ``own[m]`` is True where the wearer of microphone m (0
or 1) speaks; turns bridge pauses of up to 0.7 s inside one person's speech (our choice).
"""

from dataclasses import dataclass, replace

import numpy as np

from dualmic.meters.bands import Bands, stretches
from dualmic.meters.cloth import brief, flat_noise, without_cloth
from dualmic.meters.leaks import first_ratios, least_of, more_leak, ratios
from dualmic.meters.masks import bridged, holding, longer, moving_mean, runs_of, widened
from dualmic.meters.one_voice import alone, with_one_owner
from dualmic.meters.places import SEEN_CELLS, Places, find_places
from dualmic.meters.spectrum import VOICE_BANDS
from dualmic.tiles import Floats, Mask, Powers

# All thresholds below are our choices, tuned on simulated scenes of other speakers and rooms than
# those the scores are reported on.
START_DB, HOLD_DB = 3.5, 2.0
SHORTEST_S = 0.12
REST_S = 0.3
BRIDGE_S = 0.25
TURN_BRIDGE_S = 0.7
CLUSTER_APART_DB = 3.5
CLUSTER_CELLS = 31
LEAST_CLUSTER_CELLS, LEAST_CLUSTER_SHARE = 60, 0.01
PAUSE_AFTER_S, PAUSE_BEFORE_S = 0.3, 0.1
SMOOTH_CELLS = 7
_DB = np.float32(10 / np.log(10))  # decibels in a neper of power
_CLIPPED = -2 / _DB, 15 / _DB  # nepers: what a band may say at most, -2 and 15 dB
# Somebody's speech lies within this of its own loud parts; what is weaker is not them.
FAINTEST_DB = 32.0


@dataclass(frozen=True)
class Activity:
    """Who speaks when. ``own`` and ``single`` are ``(2, cells)``, ``pause`` is ``(cells,)``.

    ``own``: the wearer speaks (short gaps filled); ``single``: only the wearer; ``pause``: nobody,
    from 0.3 s after to 0.1 s before speech or cloth. ``turns``: (microphone, start_s, end_s) in
    order.
    ``clusters_db``: the level difference first over second microphone while each wearer speaks,
    None where that person was not heard. ``leak_ratio`` ``(2, bands)``: power of m's wearer in the
    other microphone over that in m, where it changes at its least. ``cloth`` ``(cells,)``: sound
    that is no voice and no background. ``places``: where people are, None if it does not show.
    """

    own: Mask
    single: Mask
    pause: Mask
    turns: list[tuple[int, float, float]]
    clusters_db: tuple[float | None, float | None]
    leak_ratio: Powers
    cloth: Mask
    places: Places | None = None


def _clusters(difference_db: Floats, noise_apart_db: float) -> tuple[float | None, float | None]:
    """Find the level differences around which the two people gather, or one of them.

    One person alone shows one cluster. Whose it is, the levels cannot say, for gains differ; but
    gains lift the background too, so the voice is its wearer's where it stands higher above it.
    """
    if len(difference_db) < 20:
        return None, None
    edges = np.arange(-60.0, 61.0)
    counts, _ = np.histogram(np.clip(difference_db, -58.5, 58.5), edges)
    kernel = np.exp(-0.5 * np.arange(-3, 4.0) ** 2)
    density = np.convolve(counts, kernel / kernel.sum(), mode="same")
    density[[0, -1]] = 0.0  # what lies beyond the widest difference gathers just inside
    middle = edges[:-1] + 0.5
    peaks = np.flatnonzero(
        (density[1:-1] >= density[:-2]) & (density[1:-1] > density[2:]) & (density[1:-1] > 0)
    )
    peaks += 1
    least = max(LEAST_CLUSTER_CELLS, LEAST_CLUSTER_SHARE * len(difference_db))
    best = int(peaks[np.argmax(density[peaks])])
    ends = [best, best]
    for peak in peaks:
        low, high = sorted((int(peak), best))
        # A valley parts it from the main cluster.
        parted = density[low : high + 1].min() < 0.7 * density[peak]
        near = slice(max(peak - 3, 0), peak + 4)
        if high - low >= CLUSTER_APART_DB and parted and counts[near].sum() >= least:
            ends = [min(ends[0], int(peak)), max(ends[1], int(peak))]
    if ends[0] == ends[1]:
        only = float(middle[best])
        return (only, None) if only >= noise_apart_db else (None, only)
    return float(middle[ends[1]]), float(middle[ends[0]])


def find_speech(
    bands_db: np.ndarray, gone: Mask | None = None, arrivals: Floats | None = None
) -> Activity:
    """Find who speaks when.

    Args:
        bands_db: ``(2, cells, bands)``, band powers of the interviewer's and the subject's
            microphone in dB, from :class:`dualmic.meters.spectrum.Spectra`.
        gone: ``(2, cells)``, where a microphone is known to hold nothing usable, or None.
        arrivals: when sound arrives, from :class:`dualmic.meters.arrivals.ArrivalMeter`, or None.

    """
    cells = bands_db.shape[1]
    heard = Bands(bands_db)
    flat, cloth = _flat_noise(heard)
    difference_db, active, loud = _differences(heard)
    both_live = np.ones(cells, bool) if gone is None else ~(gone[0] | gone[1])
    both_live &= ~(flat[0] | flat[1])
    loud &= both_live
    places = None
    if arrivals is not None:
        places = find_places(arrivals, difference_db, active, loud, heard.noise_apart_db())
    surely: Mask = np.ones((2, cells), bool)
    more: Floats | None = None
    if places is None:
        high, low = _clusters(difference_db[loud], heard.noise_apart_db())
        ratio = first_ratios(heard, difference_db, loud, (high, low))
    else:
        elsewhere = places.elsewhere(difference_db, active)
        surely = (places.alone() | elsewhere) & both_live
        known = surely & (loud | elsewhere)
        high, low = (
            float(np.median(difference_db[mask])) if mask.sum() >= LEAST_CLUSTER_CELLS else None
            for mask in known
        )
        more = more_leak(difference_db, places.undisturbed() & both_live & active, (high, low))
        ratio = ratios(heard, known, np.zeros((2, heard.count)), more)
    own = _talking(heard, ratio, more)
    for _ in range(2):
        ratio = ratios(heard, alone(own) & both_live & surely, ratio, more)
        own = _talking(heard, ratio, more)
    middle: float | None = None
    if high is not None and low is not None:
        middle = (high + low) / 2
        own = _with_rest(heard, own, difference_db - middle, (high - low) / 4)
    own = without_cloth(own, flat, cloth, round(SHORTEST_S * 100))
    other_sound: Mask = brief(flat[0] | flat[1])
    if places is not None:
        unsure = np.zeros(cells, bool) if gone is None else gone[0] | gone[1]
        unseen = places.unseen(own, loud) & ~widened(unsure, SEEN_CELLS, SEEN_CELLS)
        own &= ~unseen
        other_sound |= unseen[0] | unseen[1]
        own = np.stack([longer(row, round(SHORTEST_S * 100)) for row in own])
    own = with_one_owner(bands_db, own, middle, places)
    if more is not None:
        ratio = least_of(ratio, more, own)
    single = alone(own)
    clusters = tuple(
        float(np.median(difference_db[single[m] & loud])) if (single[m] & loud).any() else None
        for m in (0, 1)
    )
    found = activity_of(own, (clusters[0], clusters[1]), ratio, other_sound)
    return replace(found, places=places)


def activity_of(
    own: Mask,
    clusters_db: tuple[float | None, float | None],
    leak_ratio: Powers,
    cloth: Mask | None = None,
) -> Activity:
    """Return all that follows from who speaks in which cell."""
    either = own[0] | own[1]
    if cloth is None:
        cloth = np.zeros(own.shape[1], bool)
    pause = ~widened(either | cloth, round(PAUSE_BEFORE_S * 100), round(PAUSE_AFTER_S * 100))
    return Activity(own, alone(own), pause, find_turns(own), clusters_db, leak_ratio, cloth)


def _differences(heard: Bands) -> tuple[Floats, Mask, Mask]:
    """Return the level difference of each cell, noise removed.

    Then where a sound stands clear of the noise, and where it is the loudest and says most.
    """
    difference_db = np.zeros(heard.cells, np.float32)
    over = np.zeros(heard.cells, np.float32)
    for stretch in stretches(heard.cells):
        clean, above = [], []
        for m in (0, 1):
            total = heard.power(m, stretch)[VOICE_BANDS].sum(axis=0)
            total = moving_mean(total, CLUSTER_CELLS)[stretch.inside]
            noise = heard.floor(m, stretch)[VOICE_BANDS, stretch.inside].sum(axis=0)
            clean.append(np.maximum(total - noise, 0.3 * noise))
            above.append(total / noise)
        difference_db[stretch.part] = 10 * np.log10(clean[0] / clean[1])
        over[stretch.part] = np.maximum(*above)
    active = over > 10
    if not active.any():
        return difference_db, active, active
    return difference_db, active, active & (over >= np.percentile(over[active], 40))


def _flat_noise(heard: Bands) -> tuple[Mask, Mask]:
    """Return where each microphone holds sound that is no voice, and where it alone does."""
    flat, audible = np.zeros((2, 2, heard.cells), bool)
    for stretch in stretches(heard.cells):
        for m in (0, 1):
            found = flat_noise(heard.power(m, stretch), heard.floor(m, stretch))
            flat[m, stretch.part], audible[m, stretch.part] = (
                mask[stretch.inside] for mask in found
            )
    return flat, flat & ~audible[::-1]


def _talking(heard: Bands, ratio: Powers, more: Floats | None = None) -> Mask:
    """Ask each microphone whether it holds more than noise and the other's leak."""
    return np.stack(
        [_talking_in(heard, m, ratio[1 - m], None if more is None else more[1 - m]) for m in (0, 1)]
    )


def _talking_in(heard: Bands, m: int, ratio: Powers, more: Floats | None) -> Mask:
    """Ask one microphone; ``ratio`` ``(bands,)`` is how much of the other's voice leaks into it.

    ``more`` ``(cells,)``: how many times that it is around each cell, None where it is not known.
    """
    score, strength_db = np.zeros((2, heard.cells), np.float32)
    for stretch in stretches(heard.cells):
        power = heard.power(m, stretch)
        expected = heard.echo(1 - m, stretch) * ratio[:, None].astype(np.float32)
        if more is not None:
            expected *= more[stretch.wide]
        expected += heard.floor(m, stretch)
        over = np.log(power / expected)
        over = np.clip(over, *_CLIPPED, out=over).sum(axis=0) * (_DB / heard.count)
        np.subtract(power, expected, out=expected)
        strength = np.maximum(expected, 0, out=expected).sum(axis=0)
        score[stretch.part] = moving_mean(over, SMOOTH_CELLS)[stretch.inside]
        level = np.maximum(moving_mean(strength, SMOOTH_CELLS)[stretch.inside], 1e-16)
        strength_db[stretch.part] = 10 * np.log10(level)
    starts = score > START_DB
    if starts.any():
        usual = np.percentile(strength_db[starts], 75)
        starts &= strength_db > usual - FAINTEST_DB
    mask = holding(score > HOLD_DB, starts)
    return longer(bridged(mask, round(BRIDGE_S * 100)), round(SHORTEST_S * 100))


def _with_rest(heard: Bands, own: Mask, apart_db: Floats, least_db: float) -> Mask:
    """Give speech that stands over the noise but over no leak to whom the level difference says.

    People who sit shoulder to shoulder hear each other so loudly that a voice hardly stands above
    what the other's leak could be.
    """
    own = own.copy()
    nobody = ~(own[0] | own[1])
    silent = np.zeros((2, heard.count))
    for m, mask in enumerate(_talking(heard, silent)):
        theirs = apart_db > least_db if m == 0 else apart_db < -least_db
        rest = longer(mask & nobody & theirs, round(REST_S * 100))
        own[m] = bridged(own[m] | rest, round(BRIDGE_S * 100))
    return own


def find_turns(own: Mask) -> list[tuple[int, float, float]]:
    """Join each person's speech over pauses of up to 0.7 s that the other does not fill."""
    turns = []
    for m in (0, 1):
        for start, end in zip(*runs_of(bridged(own[m], round(TURN_BRIDGE_S * 100))), strict=True):
            turns.append((m, float(start) / 100, float(end) / 100))
    return sorted(turns, key=lambda turn: (turn[1], turn[0]))
