"""Cracks: short sounds in one microphone that no mouth and nothing in the room made."""

from bisect import bisect_left
from dataclasses import dataclass

import numpy as np

from dualmic.measure import Measured
from dualmic.meters.noise import SILENCE_POWER
from dualmic.meters.speech import Activity
from dualmic.meters.transients import KEPT_DB, Transient
from dualmic.stack import let_go
from dualmic.tiles import Mask, power_db
from dualmic.voice_level import EVERY_S, loudness_around, voice_dbfs

# Our choices, tuned on simulated scenes. Consonants, lip smacks and the pulses of a rough voice
# stay under 15 dB of what is around them. What the other microphone hears too, standing out there
# as well, is a sound in the room: a slate's clap, a dropped cup.
CLICK_DB, LOUD_CLICK_DB = 16.0, 13.0
# Of untouched speech's own short sounds the loudest (lips parting) lie 18 dB and more under the
# voice in the band they are looked for in; one that nearly reaches the voice needs less to be sure.
CLICK_UNDER_VOICE_DB, LOUD_UNDER_VOICE_DB = 15.0, 4.0
HEARD_THERE_DB = 8.0
# Unless so much is missing of its leak: then something else, as a word, began there just then.
NOT_ITS_LEAK_DB = 17.0
# Lips and the pulses of a rough voice that stand out as far as cracks do stand out there as well,
# less far, and leak as the voice does; of cracks fewer than one in twenty seem to.
LEAKS_THERE_DB, AS_THE_VOICE_DB = 4.0, 6.0
# Ends of lost sound and clipped tops crack as well: they are reported as what they are.
BESIDE_DAMAGE_S = 0.02
BESIDE_DEAD_CELLS = 50  # where a microphone dies is known to half a second
NEAR_TOPS_CELLS, CLIPPED_CELLS = 50, 3
# A crack this far under the voice is sure only if the other microphone proves that no mouth made
# it: its leak should stand there by this much, and does not.
FAINT_UNDER_VOICE_DB, LEAK_MISSING_DB = 8.0, 10.0
# With nothing in the other microphone to tell it from a sound of the mouth, it has to be as loud
# as the voice, and as bright as its brightest consonants.
ALONE_UNDER_VOICE_DB = 0.0
# So proven, a crack may be half buried in a loud consonant, or faint; what untouched voices have of
# such sounds misses up to 8 dB of its leak, and 10 dB once in an hour.
PROVEN_CLICK_DB, PROVEN_MISSING_DB, PROVEN_UNDER_VOICE_DB = 9.0, 12.0, 22.0
# Where its leak would not stand out in the other microphone nothing speaks against a mouth: a "t"
# after silence, near the microphone, stands out by up to 18.5 dB.
UNHEARD_DB, UNHEARD_CLICK_DB = 6.0, 22.0
# Nothing a mouth does comes and goes within milliseconds by so much, however faint: of breaths and
# limited voices the most abrupt stood out by 26 dB. Where no leak of the voice is known and it is
# faint, nothing else bears it out (27.6 dB were seen): then it only may be one.
ABRUPT_DB, FAINTEST_UNDER_VOICE_DB = 27.0, 25.0
# Single samples that jump under words stand out by 30 to 40 dB. (nothing else by so much was seen)
MOST_ABRUPT_DB = 33.0
# In second differences a crack stands out under a loud consonant as well. Lips part far below the
# voice's brightest consonants there: what reaches those is no mouth's, nor what misses its leak.
EDGE_DB, EDGE_PROVEN_DB, BRIGHTER_DB = 13.0, 11.0, 0.0
# A voice without brightness of its own (a telephone, a dull coder) parts its lips up to 7 dB over
# that, and leaks as it does; more, or a little of the leak missing, is a crack's.
MUCH_BRIGHTER_DB, EDGE_UNHEARD_DB = 8.0, 1.0
UNPROVEN_BRIGHTER_DB = 14.0  # where no leak of the voice is known, or the other is muted
# Heads and air let less pass above the band the leak is known in: what plainly stands out there in
# second differences may be a leak though so much more of it is missing.
EDGE_LEAK_LESS_DB = 5.0
# What takes up to 10 ms to die away may be a consonant or lips: a crack for sure only as far as the
# other microphone proves it. Of six hours of simulated speech nothing else stood out by 12 dB
# and lacked 9 dB of its leak, or by 16 dB and lacked 6.8 dB, or 3 dB where no voice was as bright.
SLOW_DB, SLOW_MISSING_DB = (12.0, 16.0, 25.0), (9.0, 6.8, 3.0)
SLOW_EDGE_DB, SLOW_EDGE_MISSING_DB, SLOW_UNDER_VOICE_DB = 16.0, 3.0, 22.0
SLOW_MAYBE_DB = 20.0  # in a pause, where words are not in doubt
# Where something stands out in the other microphone just then, it may be the leak of what a mouth
# did, unless it is far less than that: beside 8 of 87 cracks under words noise stood out so, and
# all of them lacked 9.7 dB and more.
MAY_LEAK_DB, MAY_LEAK_MISSING_DB = 2.5, 9.0
MUCH_BRIGHTER_MISSING_DB = 6.0
# Two samples hold little: what comes and goes so abruptly counts from somewhat under the brightest.
ABRUPT_UNDER_BRIGHT_DB = 10.0
SAME_CRACK_S = 0.005
# The loudest tenth of some seconds of the wearer's speech tells how much of it leaks there.
USUAL_S, LEAST_USUAL_CELLS, LOUD_PERCENTILE = 4.0, 100, 90.0
LET_GO_EVERY = 200  # short sounds, some 10 MB of band levels; of no influence on results


@dataclass(frozen=True)
class Crack:
    """A crack: when, how far it stands above what is around it, and whether it is surely one."""

    at_s: float
    over_db: float
    sure: bool


def cracks(measured: Measured, activity: Activity, dead: Mask, shut: Mask) -> list[list[Crack]]:
    """Return the short sounds that are cracks in each microphone's own signal.

    Where the other microphone is dead or shut by a gate, what it lacks proves nothing.
    """
    unheard = dead | shut
    found: list[list[Crack]] = [[], []]
    for mic in (0, 1):
        usual = voice_dbfs(measured, activity, dead[mic], mic)
        # Lips part as loudly as somebody speaks: more so where the voice is raised, or a gain.
        voices = (
            None if usual is None else loudness_around(measured, activity, dead[mic], mic, usual)
        )
        most_leak = float(activity.leak_ratio[mic, -1])
        # Under the noise a leak reads too much in single bands, and air lets high ones pass less.
        leak = min(most_leak, float(np.median(activity.leak_ratio[mic])))
        # What the other microphone hears as a voice is heard, second differences may not show.
        heard = [
            (short.at_s, short.over_db >= KEPT_DB)
            for short in measured.transients
            if short.channel == mic
            and short.other_over_db > HEARD_THERE_DB
            and _missing_db(short, most_leak) < NOT_ITS_LEAK_DB
        ]
        bright = [short.at_s for short in measured.transients if _is_bright(short, mic)]
        for k, short in enumerate(measured.transients):
            if k % LET_GO_EVERY == 0:
                let_go()
            if short.channel != mic or not _may_crack(measured, dead[mic], short):
                continue
            at = bisect_left(heard, (short.at_s - SAME_CRACK_S, False))
            beside = heard[at : bisect_left(heard, (short.at_s + SAME_CRACK_S, False))]
            missing_db = _missing_db(short, leak)
            usually_db = _usually_missing_db(measured, activity, short) if missing_db > 0 else 0.0
            voice = None if voices is None else float(voices[round(short.at_s / EVERY_S)])
            alone = bool(unheard[1 - mic][int(short.at_s * 100) :][:1].any())
            proves_nothing = alone or short.other_power < SILENCE_POWER
            if alone and not _near(bright, short.at_s):
                continue
            sure = None
            if not any(is_quick for _, is_quick in beside) or _lacks_its_leak(short, missing_db):
                # Where less is missing it proves nothing as it is.
                less_db = usually_db if missing_db > LEAK_MISSING_DB else 0.0
                quick_missing_db = 0.0 if proves_nothing else missing_db - less_db
                unproven = proves_nothing or leak < SILENCE_POWER
                sure = _surely(short, voice, quick_missing_db, alone=alone, unproven=unproven)
            if not sure and not beside and not proves_nothing:
                slow = _surely_slow(short, voice, missing_db - usually_db)
                sure = sure if slow is None else slow
            if sure is not None:
                over_db = max(short.over_db, short.lasting_over_db)
                _add(found[mic], Crack(short.at_s, over_db, sure))
    return found


def _missing_db(short: Transient, leak: float) -> float:
    """Return how much of a short sound's ``leak`` the other microphone lacks, in dB."""
    return float(power_db(short.power * leak) - power_db(short.other_power))


def _lacks_its_leak(short: Transient, missing_db: float) -> bool:
    """Whether an abrupt sound lacks so much that what stands there just then is something else."""
    least_db = NOT_ITS_LEAK_DB + EDGE_LEAK_LESS_DB
    return short.over_db >= ABRUPT_DB and missing_db > least_db


def _is_bright(short: Transient, mic: int) -> bool:
    """Whether it is as bright as the brightest moments of a microphone."""
    bright = short.bright_power
    return short.channel == mic and bright is not None and short.power > bright


def _near(times: list[float], at_s: float) -> bool:
    at = bisect_left(times, at_s - SAME_CRACK_S)
    return at < len(times) and times[at] < at_s + SAME_CRACK_S


def _usually_missing_db(measured: Measured, activity: Activity, short: Transient) -> float:
    """Return how much of its leak the wearer's own voice lacks around there, at least none.

    Over the whole take a voice leaks more than here where its wearer has turned away, a gain has
    jumped, or one microphone was recorded twice for a while.
    """
    mic, cell, reach = short.channel, int(short.at_s * 100), round(USUAL_S * 100)
    near = slice(max(cell - reach, 0), cell + reach)
    levels_db = measured.spectra.bands_db[:, near, -1].astype(np.float64)
    own_db = levels_db[mic][activity.own[mic][near]]
    other_db = levels_db[1 - mic][activity.own[mic][near]]
    if len(own_db) < LEAST_USUAL_CELLS:
        return 0.0
    loud = own_db >= np.percentile(own_db, LOUD_PERCENTILE)
    leak_db = float(power_db(float(activity.leak_ratio[mic, -1])))
    return max(float(np.median(own_db[loud] - other_db[loud])) + leak_db, 0.0)


def _add(cracks: list[Crack], crack: Crack) -> None:
    """Add a crack, once though both of its signs may show it."""
    if cracks and crack.at_s - cracks[-1].at_s < SAME_CRACK_S:
        last = cracks.pop()
        over_db, sure = max(last.over_db, crack.over_db), last.sure or crack.sure
        crack = Crack(last.at_s, over_db, sure)
    cracks.append(crack)


def _surely(
    short: Transient,
    voice: float | None,
    missing_db: float,
    *,
    alone: bool,
    unproven: bool = False,
) -> bool | None:
    """Return whether a short sound is surely a crack, or may be one; None for none."""
    proven = missing_db > PROVEN_MISSING_DB
    power = float(power_db(short.power))
    leaks = short.other_over_db > LEAKS_THERE_DB and missing_db < AS_THE_VOICE_DB
    may_leak = not alone and _may_leak(short, missing_db)
    if short.bright_power is not None:
        lacks_leak = missing_db > LEAK_MISSING_DB
        proven = missing_db > PROVEN_MISSING_DB + EDGE_LEAK_LESS_DB
        brighter_db = power - float(power_db(short.bright_power))
        if alone:
            abrupt = short.over_db >= ABRUPT_DB and brighter_db > UNPROVEN_BRIGHTER_DB
            return True if abrupt else None
        unproven = unproven or missing_db < -UNHEARD_DB
        much_db = UNPROVEN_BRIGHTER_DB if unproven else MUCH_BRIGHTER_DB
        lacks_leak |= brighter_db > much_db and missing_db > MUCH_BRIGHTER_MISSING_DB
        proven_db = KEPT_DB if brighter_db > UNPROVEN_BRIGHTER_DB else EDGE_PROVEN_DB
        if short.over_db >= proven_db and brighter_db > BRIGHTER_DB and lacks_leak:
            return not may_leak
        if not (proven or brighter_db > BRIGHTER_DB):
            if short.over_db >= MOST_ABRUPT_DB and missing_db > LEAK_MISSING_DB:
                return True
            is_abrupt = short.over_db >= ABRUPT_DB and brighter_db > -ABRUPT_UNDER_BRIGHT_DB
            return False if is_abrupt else None
        if short.over_db < EDGE_DB:
            return None
        heard = missing_db <= EDGE_UNHEARD_DB and brighter_db <= much_db
        return proven or not (heard or may_leak)
    if leaks and not alone:
        return None
    under_db = 0.0 if voice is None else voice - power
    faint_db = ALONE_UNDER_VOICE_DB if alone else FAINT_UNDER_VOICE_DB
    if under_db <= PROVEN_UNDER_VOICE_DB and proven and short.over_db >= PROVEN_CLICK_DB:
        return True
    if under_db <= FAINTEST_UNDER_VOICE_DB and short.over_db >= ABRUPT_DB and not alone:
        return not (may_leak or (unproven and under_db > FAINT_UNDER_VOICE_DB))
    least_db = LOUD_CLICK_DB if under_db <= LOUD_UNDER_VOICE_DB else CLICK_DB
    if under_db > CLICK_UNDER_VOICE_DB or short.over_db < least_db:
        return None
    sure = voice is None or under_db < faint_db or missing_db > LEAK_MISSING_DB
    if missing_db < UNHEARD_DB and not alone:
        sure = sure and short.over_db >= UNHEARD_CLICK_DB
    return sure and not may_leak


def _may_leak(short: Transient, missing_db: float) -> bool:
    """Whether what stands in the other microphone just then may be a short sound's leak."""
    most_db = MAY_LEAK_MISSING_DB
    if short.bright_power is not None and short.other_over_db > LEAKS_THERE_DB:
        most_db += EDGE_LEAK_LESS_DB
    return short.other_over_db > MAY_LEAK_DB and missing_db < most_db


def _surely_slow(short: Transient, voice: float | None, missing_db: float) -> bool | None:
    """Return the same of one that takes longer to die away."""
    over_db = short.lasting_over_db
    power = float(power_db(short.power))
    if short.bright_power is not None:
        if over_db < SLOW_EDGE_DB or power < float(power_db(short.bright_power)) + BRIGHTER_DB:
            return None
        if missing_db > SLOW_EDGE_MISSING_DB and not _may_leak(short, missing_db):
            return True
    else:
        if voice is None or voice - power > SLOW_UNDER_VOICE_DB:
            return None
        needed = zip(SLOW_DB, SLOW_MISSING_DB, strict=True)
        lacks = any(over_db >= db and missing_db > least for db, least in needed)
        if lacks and not _may_leak(short, missing_db):
            return True
    is_heard = short.other_over_db > LEAKS_THERE_DB
    return False if over_db >= SLOW_MAYBE_DB and not is_heard else None


def _may_crack(measured: Measured, dead: Mask, short: Transient) -> bool:
    """Whether nothing else that is wrong there, or the take's end, makes a sound crack."""
    mic, at_s = short.channel, short.at_s
    if not 2 * BESIDE_DAMAGE_S < at_s < measured.duration_s - 2 * BESIDE_DAMAGE_S:
        return False
    cell = int(at_s * 100)
    if dead[max(cell - BESIDE_DEAD_CELLS, 0) : cell + BESIDE_DEAD_CELLS].any():
        return False
    tops = measured.tops.flat_frames[mic, max(cell - NEAR_TOPS_CELLS, 0) : cell + NEAR_TOPS_CELLS]
    if int((tops > 0).sum()) >= CLIPPED_CELLS:
        return False
    spans = [(run.start_s, run.end_s) for run in measured.held[mic]]
    spans += [(start, end) for channel, start, end in measured.bad.spans if channel == mic]
    return not any(a - BESIDE_DAMAGE_S < at_s < b + BESIDE_DAMAGE_S for a, b in spans)
