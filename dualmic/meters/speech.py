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
from functools import partial

import numpy as np

from dualmic.meters.bands import Bands, stretches
from dualmic.meters.cloth import brief, flat_and_heard, without_cloth
from dualmic.meters.clusters import LEAST_CLUSTER_CELLS, find_clusters
from dualmic.meters.leaks import first_ratios, least_of, more_leak, ratios
from dualmic.meters.masks import bridged, longer, moving_mean, runs_of, widened
from dualmic.meters.one_voice import alone, with_one_owner
from dualmic.meters.places import SEEN_CELLS, Places
from dualmic.meters.placing import find_places
from dualmic.meters.shares import find_shares
from dualmic.meters.spectrum import VOICE_BANDS
from dualmic.meters.steady import steady
from dualmic.meters.talking import (
    SHORTEST_S,
    by_place,
    hiding,
    sounding,
    starts_db,
    talking,
    with_rest,
)
from dualmic.stack import kept, let_go, room
from dualmic.tiles import Floats, Mask, Powers

# All thresholds below are our choices, tuned on simulated scenes of other speakers and rooms than
# those the scores are reported on.
TURN_BRIDGE_S = 0.7
CLUSTER_CELLS = 31
# Of a person's moments, if fewer are among the loud ones of the take they do not stand for them:
# of two people alike three fifths are, of an interviewer 25 dB fainter beside hiss one in fifteen.
LEAST_LOUD_SHARE = 0.2
PAUSE_AFTER_S, PAUSE_BEFORE_S = 0.3, 0.1


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
    ``at_once`` ``(cells,)``: where two voices share the spectrum, None if it does not tell.
    """

    own: Mask
    single: Mask
    pause: Mask
    turns: list[tuple[int, float, float]]
    clusters_db: tuple[float | None, float | None]
    leak_ratio: Powers
    cloth: Mask
    places: Places | None = None
    at_once: Mask | None = None


def find_speech(
    bands_db: np.ndarray,
    gone: Mask | None = None,
    arrivals: Floats | None = None,
    phases: np.ndarray | None = None,
) -> Activity:
    """Find who speaks when.

    Args:
        bands_db: ``(2, cells, bands)``, band powers of the interviewer's and the subject's
            microphone in dB, from :class:`dualmic.meters.spectrum.Spectra`.
        gone: ``(2, cells)``, where a microphone is known to hold nothing usable, or None.
        arrivals: when sound arrives, from :class:`dualmic.meters.arrivals.ArrivalMeter`, or None.
        phases: by tone, from :class:`dualmic.meters.phases.PhaseMeter`, or None.

    """
    cells = bands_db.shape[1]
    heard = Bands(bands_db)
    flat, cloth = _flat_noise(heard)
    difference_db, active, loud = _differences(heard)
    both_live = np.ones(cells, bool) if gone is None else ~(gone[0] | gone[1])
    both_live &= ~(flat[0] | flat[1])
    active, loud, both_live = (kept(mask) for mask in (active, loud & both_live, both_live))
    places = None
    if arrivals is not None:
        let_go()
        places = find_places(arrivals, difference_db, active, loud, heard.noise_apart_db())
        let_go()
    lives = active, loud, both_live
    surely, (high, low), ratio, more = _first_leaks(heard, places, difference_db, lives)
    let_go()
    from_db = starts_db(heard)
    middle: float | None = None
    quarter_db = 0.0
    levels_tell = places is None or places.levels_tell
    if places is not None and not levels_tell:
        own = by_place(heard, from_db, places)
        ratio = ratios(heard, alone(own) & surely, ratio, more)
    else:
        own = talking(heard, ratio, from_db, more)
        for _ in range(2):
            ratio = ratios(heard, alone(own) & surely, ratio, more)
            own = talking(heard, ratio, from_db, more)
    if high is not None and low is not None and levels_tell:
        middle, quarter_db = (high + low) / 2, (high - low) / 4
        own = with_rest(heard, kept(own), from_db, difference_db, middle, quarter_db)
    let_go()
    own = kept(without_cloth(own, flat, cloth, round(SHORTEST_S * 100)))
    even = np.zeros_like(own)
    if middle is not None:
        # A held vowel is as steady as a machine, but louder in its wearer's microphone.
        bounds_db = middle + quarter_db, middle - quarter_db
        anybodys = np.stack([difference_db < bounds_db[0], difference_db > bounds_db[1]])
        even = steady(bands_db, own) & anybodys
    own = kept(own & ~even)
    other_sound: Mask = brief(flat[0] | flat[1]) | even[0] | even[1]
    if places is not None:
        own, other_sound = _seen_only(own, other_sound, places, loud, gone)
    let_go()
    shares = None if phases is None else find_shares(phases, own, alone(own))
    two: Mask | None = None
    if shares is not None:
        let_go()
        sounds = sounding(heard, from_db)
        two = kept(shares.at_once & both_live & sounds[0] & sounds[1])
        let_go()
    hidden = partial(hiding, heard, ratio, from_db, more, alone(own)) if levels_tell else None
    own = with_one_owner(bands_db, own, middle, places, two, hidden)
    if shares is not None:
        own = shares.settled(own)
    let_go()
    if more is not None:
        ratio = least_of(ratio, more, own)
        let_go()
    single = alone(own)
    clusters = tuple(
        float(np.median(difference_db[single[m] & loud])) if (single[m] & loud).any() else None
        for m in (0, 1)
    )
    let_go()
    found = activity_of(own, (clusters[0], clusters[1]), ratio, other_sound)
    return replace(found, places=places, at_once=two)


def _first_leaks(
    heard: Bands, places: Places | None, difference_db: Floats, cells: tuple[Mask, Mask, Mask]
) -> tuple[Mask, tuple[float | None, float | None], Powers, Floats | None]:
    """Return what places, or else levels, say of the leaks before anybody asks who speaks.

    ``cells``: where sound stands over the noise, where it is worth looking at, and where both
    microphones work. Returned are the cells from which leaks may be learnt, the level difference
    of each person, their leaks, and how those change.
    """
    active, loud, both_live = cells
    if places is None:
        clusters = find_clusters(difference_db[loud], heard.noise_apart_db())
        return both_live, clusters, first_ratios(heard, difference_db, loud, clusters), None
    elsewhere = places.elsewhere(difference_db, active)
    surely = kept((places.alone() | elsewhere) & both_live)
    known = kept(np.stack([_worth(row, active, loud) for row in surely]) | (surely & elsewhere))
    del elsewhere
    let_go()
    high, low = (
        float(np.median(difference_db[mask])) if mask.sum() >= LEAST_CLUSTER_CELLS else None
        for mask in known
    )
    let_go()
    more = more_leak(difference_db, places.undisturbed() & both_live & active, (high, low))
    let_go()
    return surely, (high, low), ratios(heard, known, np.zeros((2, heard.count)), more), more


def _worth(surely: Mask, active: Mask, loud: Mask) -> Mask:
    """Return the loud moments of one person's; all of them if hardly any is among the loud ones."""
    heard = surely & active
    worth = heard & loud
    return worth if worth.sum() >= LEAST_LOUD_SHARE * heard.sum() else heard


def _seen_only(
    own: Mask, other_sound: Mask, places: Places, loud: Mask, gone: Mask | None
) -> tuple[Mask, Mask]:
    """Take back what seems to be speech but never shows its wearer's place: it is other sound."""
    unseen = places.unseen(own, loud)
    if gone is not None:
        unseen &= ~widened(gone[0] | gone[1], SEEN_CELLS, SEEN_CELLS)
    seen = np.stack([longer(row, round(SHORTEST_S * 100)) for row in own & ~unseen])
    return kept(seen), other_sound | unseen[0] | unseen[1]


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
    turns = find_turns(own)
    own, single, pause, cloth = (kept(mask) for mask in (own, alone(own), pause, cloth))
    return Activity(own, single, pause, turns, clusters_db, leak_ratio, cloth)


def _differences(heard: Bands) -> tuple[Floats, Mask, Mask]:
    """Return the level difference of each cell, noise removed.

    Then where a sound stands clear of the noise, and where it is the loudest and says most.
    """
    difference_db = room(heard.cells, np.float32)
    active = np.zeros(heard.cells, bool)
    overs = []
    for stretch in stretches(heard.cells):
        clean, above = [], []
        for m in (0, 1):
            total = heard.power(m, stretch)[VOICE_BANDS].sum(axis=0)
            total = moving_mean(total, CLUSTER_CELLS)[stretch.inside]
            noise = heard.floor(m, stretch)[VOICE_BANDS, stretch.inside].sum(axis=0)
            clean.append(np.maximum(total - noise, 0.3 * noise))
            above.append(total / noise)
        difference_db[stretch.part] = 10 * np.log10(clean[0] / clean[1])
        over = np.maximum(*above).astype(np.float32)
        active[stretch.part] = over > 10
        overs.append(over[over > 10])
    loud = active.copy()
    if active.any():
        over = np.concatenate(overs)
        loud[loud] = over >= np.percentile(over, 40)
    return difference_db, active, loud


def _flat_noise(heard: Bands) -> tuple[Mask, Mask]:
    """Return where each microphone holds sound that is no voice, and where it alone does."""
    told = zip(*(flat_and_heard(heard, mic) for mic in (0, 1)), strict=True)
    flat, audible = (np.stack(masks) for masks in told)
    return kept(flat), kept(flat & ~audible[::-1])


def find_turns(own: Mask) -> list[tuple[int, float, float]]:
    """Join each person's speech over pauses of up to 0.7 s that the other does not fill."""
    turns = []
    for m in (0, 1):
        for start, end in zip(*runs_of(bridged(own[m], round(TURN_BRIDGE_S * 100))), strict=True):
            turns.append((m, float(start) / 100, float(end) / 100))
    return sorted(turns, key=lambda turn: (turn[1], turn[0]))
