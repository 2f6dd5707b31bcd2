"""Where a microphone holds nothing usable although somebody talks.

A microphone counts as dead over a stretch when, while the other microphone hears speech, it hears
nothing of it: neither a voice of its own nor the leak it usually has. Three ways lead there:

- digital silence that lasts to the end of the take or from its start (a pulled plug, a pack whose
  battery went); silence that comes back is a dropout instead;
- steady noise in which the other microphone's speech leaves no trace (``deaf_mics.py``);
- a trace of all that it heard, far under what was its silence (``fallen_mics.py``).

A silent interviewer is not a dead microphone: it still hears the subject.
"""

from dataclasses import replace

import numpy as np

from dualmic.deaf_mics import deaf
from dualmic.fallen_mics import fallen
from dualmic.meters.bands import stretches, voice_power
from dualmic.meters.continuity import HeldRun, dies_away
from dualmic.meters.masks import bridged, longer, mask_of, number_in, runs_of, widened
from dualmic.meters.speech import Activity, activity_of
from dualmic.tiles import Floats, Mask

# Our choices. Five seconds of silence to the end are a dead microphone, not a lost word.
LEAST_S = 5.0
SEEMING_SHARE = 0.8  # of a turn that lies in the other microphone's gap: no turn
OVER_LEAK_DB = 5.0  # and louder than the other's usual leak by this, it is the wearer's own voice
MUTING_LEAST_S = 20.0
# Of two people in one microphone its wearer is the louder by their leak. One person's stretches of
# speech differ by less, and fill the levels between.
VOICES_APART_DB, BETWEEN_VOICES_DB = 8.0, 3.0
LEAST_STRETCH_S, LEAST_VOICE_S = 0.5, 4.0  # a word says little of a voice's level
TRACED_UNDER_DB, TRACED_GAP_CELLS = 10.0, 25  # syllables of a leak, and what lies between them
SILENT_DB = -120.0  # band power: no analogue input is that quiet, speech recorded 30 dB low neither


def dead_cells(
    bands_db: np.ndarray, held: list[list[HeldRun]], unasked: Mask, noise_bands: Floats
) -> Mask:
    """Return ``(2, cells)``: where each microphone holds nothing usable.

    Args:
        bands_db: ``(2, cells, bands)`` band powers in dB.
        held: runs of a held value of each microphone.
        unasked: ``(2, cells)``, where what a microphone lacks or holds says nothing of its life.
        noise_bands: ``(2, frames, bands)``, which tell wind from a voice.

    """
    dead = np.zeros((2, bands_db.shape[1]), bool)
    unasked = unasked.copy()
    for mic in (0, 1):
        silent = _silent(bands_db[mic], held[mic])
        unasked[mic] |= silent
        dead[mic] = _lasting(silent, dies_away(held[mic]))
        if not dead[mic].all():
            dead[mic] |= deaf(bands_db, mic, unasked[mic], noise_bands)
    return dead | fallen(bands_db, unasked)


def _silent(bands_db: np.ndarray, held: list[HeldRun]) -> Mask:
    """Where a microphone holds digital silence or a held value for a tenth of a second or more."""
    silent = np.zeros(len(bands_db), bool)
    for stretch in stretches(len(bands_db)):
        silent[stretch.part] = bands_db[stretch.part].max(axis=1) < SILENT_DB
    long = [run for run in held if run.end_s - run.start_s >= 0.1]
    starts = np.array([round(run.start_s * 100) for run in long], np.int64)
    ends = np.array([round(run.end_s * 100) for run in long], np.int64)
    return bridged(silent | mask_of(starts, ends, len(silent)), 20)


def _lasting(silent: Mask, dying: bool) -> Mask:
    """Keep silence to the take's end or from its start, five seconds or more of it.

    A pack that mutes itself in pauses is silent at both ends too, and so is a recording whose
    background is under the last bit (``dying``): there, silence has to last much longer than any
    pause between words did.
    """
    cells = len(silent)
    starts, ends = runs_of(silent)
    length = ends - starts
    at_edge = (starts <= 50) | (ends >= cells - 50)
    inside = length[~at_edge & (length >= 30)]
    least = LEAST_S * 100
    if len(inside) >= 2 or dying:
        least = max(MUTING_LEAST_S * 100, 2 * int(inside.max(initial=0)))
    kept = at_edge & (length >= min(least, cells))
    return mask_of(starts[kept], ends[kept], cells)


def with_dead_mics(bands_db: np.ndarray, activity: Activity, dead: Mask) -> Activity:
    """Tell the two voices apart where one microphone is dead: by level in the live one.

    Before it died, the live microphone heard its wearer at one level and the other person at
    another; each stretch of speech goes to the nearer of the two. Without such a memory, as where
    it never worked, stretches fall into two levels or all are the live microphone's wearer's.
    """
    own = activity.own.copy()
    for mic in (0, 1):
        live = 1 - mic
        gone = dead[mic] & ~dead[live]
        if not gone.any():
            continue
        power = voice_power(bands_db[live])
        usual_own = _typical_db(power[activity.single[live] & ~gone])
        usual_leak = _typical_db(power[activity.single[mic] & ~gone])
        own[mic, gone] = False
        said = activity.own[live] & gone
        if usual_leak is not None:
            # A trace that is left of a voice may have told whose it is; level tells it again.
            clear = power > 10 ** ((usual_leak - TRACED_UNDER_DB) / 10)
            said |= longer(bridged(activity.own[mic] & gone & clear, TRACED_GAP_CELLS), 10)
            said &= gone
            own[live] |= said
        spoken = list(zip(*runs_of(said), strict=True))
        if usual_own is None or usual_leak is None:
            limit = _between_voices(power, spoken)
        else:
            limit = (usual_own + usual_leak) / 2
        if limit is None:
            continue
        for start, end in spoken:
            heard = _typical_db(power[start:end])
            if heard is not None and heard < limit:
                own[live, start:end] = False
                own[mic, start:end] = True
    return _told(own, activity)


def _between_voices(power: Floats, spoken: list[tuple[int, int]]) -> float | None:
    """Return the level between two voices of which stretches of speech are, None for one voice."""
    long = [(a, b) for a, b in spoken if b - a >= LEAST_STRETCH_S * 100]
    told = sorted((_typical_db(power[a:b]) or 0.0, (b - a) / 100) for a, b in long)
    if len(told) < 2:
        return None
    level_db, length_s = np.array(told).T
    at = int(np.argmax(np.diff(level_db))) + 1
    if level_db[at] - level_db[at - 1] < BETWEEN_VOICES_DB:
        return None
    if min(length_s[:at].sum(), length_s[at:].sum()) < LEAST_VOICE_S:
        return None
    soft, loud = (
        float(np.average(level_db[part], weights=length_s[part]))
        for part in (slice(at), slice(at, None))
    )
    if loud - soft < VOICES_APART_DB:
        return None
    return float(level_db[at - 1] + level_db[at]) / 2


def without_gaps(bands_db: np.ndarray, activity: Activity, held: Mask) -> Activity:
    """Take back turns that a gap in the other microphone only seems to make.

    Where one microphone's sound is gone for a moment, its wearer's leak in the other has nothing to
    be compared with and would pass for the other's own voice. It is a leak by its level: a pack
    that mutes itself while its wearer is silent leaves the other's turns as loud as they are.

    Args:
        bands_db: ``(2, cells, bands)`` band powers in dB.
        activity: who speaks.
        held: ``(2, cells)``, where each microphone holds one value or silence.

    """
    own = activity.own.copy()
    for mic in (0, 1):
        gap = widened(held[mic], 10, 15)
        if not gap.any():
            continue
        power = voice_power(bands_db[1 - mic])
        usual_leak = _typical_db(power[activity.single[mic] & ~gap])
        starts, ends = runs_of(own[1 - mic])
        seeming = number_in(gap, starts, ends) >= SEEMING_SHARE * (ends - starts)
        for start, end in zip(starts[seeming], ends[seeming], strict=True):
            heard = _typical_db(power[start:end])
            if heard is None or usual_leak is None or heard < usual_leak + OVER_LEAK_DB:
                own[1 - mic, start:end] = False
    if (own == activity.own).all():
        return activity
    return replace(_told(own, activity), pause=activity.pause)  # who speaks into a gap still speaks


def _told(own: Mask, activity: Activity) -> Activity:
    """Return the same activity with other people speaking."""
    told = activity_of(own, activity.clusters_db, activity.leak_ratio, activity.cloth)
    return replace(told, places=activity.places, at_once=activity.at_once)


def _typical_db(power: Floats) -> float | None:
    """Return the level that the louder third of the cells has, None for very few of them."""
    if len(power) < 10:
        return None
    return float(10 * np.log10(np.percentile(power, 70) + 1e-16))
