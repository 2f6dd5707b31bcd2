"""Wind and cracks, found before the noise floor is measured, which leaves them out.

Wind is a burst below 100 Hz: well over what the microphone holds there while people speak as well
as in pauses, and near the level of its wearer's whole voice, for longer than a plosive.
"""

from bisect import bisect_left
from dataclasses import dataclass

import numpy as np

from dualmic.measure import Measured
from dualmic.meters.masks import bridged, cells_of, holding, longer, mask_of, moving_mean, runs_of
from dualmic.meters.noise import SILENCE_POWER
from dualmic.meters.spectrum import FRAMES_PER_S, frame_mask
from dualmic.meters.speech import Activity
from dualmic.meters.transients import Transient
from dualmic.stack import let_go
from dualmic.tiles import Mask, Powers, power_db

# Our choices, tuned on simulated scenes. Untouched speech keeps its power below 100 Hz (averaged
# over a quarter of a second) 10 dB and more under the whole voice; a gust that reaches the voice
# less 12 dB takes headroom and can be heard. A plosive is over within 0.1 s.
WIND_OVER_USUAL_DB = 12.0
WIND_UNDER_VOICE_DB, WIND_NOTE_UNDER_VOICE_DB = 12.0, 15.0
WIND_HOLD_DB = 9.0
WIND_MEAN_FRAMES = 5
WIND_SHORTEST_S, WIND_BRIDGE_S = 0.4, 0.8
# A deep voice, too, swells below 100 Hz, but holds more between 100 and 315 Hz; hum stays level.
WIND_LEAST_SPREAD_DB = 2.0
# Gusts differ from one microphone to the other; a lorry's rumble swells alike in both.
ALIKE = 0.85

# Our choices, tuned on simulated scenes. Consonants, lip smacks and the pulses of a rough voice
# stay under 15 dB of what is around them. What the other microphone hears too, standing out there
# as well, is a sound in the room: a slate's clap, a dropped cup.
CLICK_DB, LOUD_CLICK_DB = 16.0, 13.0
# Of untouched speech's own short sounds the loudest (lips parting) lie 18 dB and more under the
# voice in the band they are looked for in; one that nearly reaches the voice needs less to be sure.
CLICK_UNDER_VOICE_DB, LOUD_UNDER_VOICE_DB = 15.0, 4.0
HEARD_THERE_DB = 8.0
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
# as the voice.
ALONE_UNDER_VOICE_DB = 0.0
# So proven, a crack may be half buried in a loud consonant, or faint; what untouched voices have of
# such sounds misses up to 8 dB of its leak, and 10 dB once in an hour.
PROVEN_CLICK_DB, PROVEN_MISSING_DB, PROVEN_UNDER_VOICE_DB = 9.0, 12.0, 22.0
# Nothing a mouth does comes and goes within milliseconds by so much, however faint.
ABRUPT_DB, FAINTEST_UNDER_VOICE_DB = 25.0, 25.0
# In second differences a crack stands out under a loud consonant as well. Lips part far below the
# voice's brightest consonants there: what reaches those is no mouth's, nor what misses its leak.
EDGE_DB, BRIGHTER_DB = 13.0, 0.0
# A voice without brightness of its own (a telephone, a dull coder) parts its lips up to 7 dB over
# that, and leaks as it does; more, or a little of the leak missing, is a crack's.
MUCH_BRIGHTER_DB, EDGE_UNHEARD_DB = 8.0, 1.0
EDGE_LEAK_LESS_DB = 5.0  # heads and air let less pass above the band the leak is known in
SAME_CRACK_S = 0.005
# The loudest tenth of some seconds of the wearer's speech tells how much of it leaks there.
USUAL_S, LEAST_USUAL_CELLS, LOUD_PERCENTILE = 4.0, 100, 90.0


@dataclass(frozen=True)
class Gust:
    """A stretch of wind: its level below 100 Hz, the limit it passed, and whether it hurts."""

    start_s: float
    end_s: float
    level_dbfs: float
    limit_dbfs: float
    hurts: bool


def gusts(measured: Measured, activity: Activity, dead: Mask) -> list[list[Gust]]:
    """Return the stretches of wind on each microphone."""
    low = measured.spectra.noise_bands[:, :, 0]
    low_db = np.stack([power_db(moving_mean(row, WIND_MEAN_FRAMES)) for row in low])
    let_go()
    return [_on_one(measured, activity, dead[mic], low_db, mic) for mic in (0, 1)]


def _on_one(
    measured: Measured, activity: Activity, dead: Mask, low_db: Powers, mic: int
) -> list[Gust]:
    frames = low_db.shape[1]
    live = ~frame_mask(dead, frames, whole=False) & (low_db[mic] > power_db(SILENCE_POWER))
    own = frame_mask(activity.own[mic], frames) & live
    voice = voice_dbfs(measured, activity, dead, mic)
    if voice is None:
        return []
    row, quiet = low_db[mic], live & ~own
    usual = max(float(np.median(row[part])) for part in (own, quiet) if part.any())
    least = max(usual + WIND_OVER_USUAL_DB, voice - WIND_NOTE_UNDER_VOICE_DB)
    limit = max(usual + WIND_OVER_USUAL_DB, voice - WIND_UNDER_VOICE_DB)
    high = live & (row > least)
    held = holding(live & (row > least - WIND_HOLD_DB), longer(high, 3))
    held = longer(bridged(held, round(WIND_BRIDGE_S * FRAMES_PER_S)), _frames(WIND_SHORTEST_S))
    found = []
    for start, end in zip(*runs_of(held), strict=True):
        part = low_db[:, start:end]
        power = np.asarray(10 ** (part[mic] / 10))
        voiced = measured.spectra.noise_bands[mic, start:end, 1]
        if power.mean() < voiced.mean() or part[mic].std() < WIND_LEAST_SPREAD_DB:
            continue
        level = float(power_db(power.mean()))
        over = int((part[mic] > limit).sum())
        hurts = over >= _frames(WIND_SHORTEST_S) and not _alike(part)
        times = float(start) / FRAMES_PER_S, min(float(end) / FRAMES_PER_S, measured.duration_s)
        found.append(Gust(*times, level, limit, hurts))
    return found


def _alike(part: Powers) -> bool:
    """Whether the low end of both microphones swells and falls together, and as far."""
    spread = part.std(axis=1)
    if part.shape[1] < 4 or spread.min() < 1.0:
        return False
    return float(np.corrcoef(part[0], part[1])[0][1]) > ALIKE


def _frames(seconds: float) -> int:
    return round(seconds * FRAMES_PER_S)


@dataclass(frozen=True)
class Crack:
    """A crack: when, how far it stands above what is around it, and whether it is surely one."""

    at_s: float
    over_db: float
    sure: bool


def cracks(measured: Measured, activity: Activity, dead: Mask) -> list[list[Crack]]:
    """Return the short sounds that are cracks in each microphone's own signal."""
    found: list[list[Crack]] = [[], []]
    for mic in (0, 1):
        voice = voice_dbfs(measured, activity, dead[mic], mic)
        leak = float(activity.leak_ratio[mic, -1])
        # What the other microphone hears as a voice is heard, second differences may not show.
        heard = [
            short.at_s
            for short in measured.transients
            if short.channel == mic and short.other_over_db > HEARD_THERE_DB
        ]
        for short in measured.transients:
            if short.channel != mic or not _may_crack(measured, dead[mic], short):
                continue
            at = bisect_left(heard, short.at_s - SAME_CRACK_S)
            if at < len(heard) and heard[at] < short.at_s + SAME_CRACK_S:
                continue
            missing_db = float(power_db(short.power * leak) - power_db(short.other_power))
            if missing_db > LEAK_MISSING_DB:  # else it proves nothing as it is
                missing_db -= _usually_missing_db(measured, activity, short)
            alone = bool(dead[1 - mic][int(short.at_s * 100) :][:1].any())
            if alone or short.other_power < SILENCE_POWER:
                missing_db = 0.0  # what is dead or mutes itself proves nothing
            sure = _surely(short, voice, missing_db, alone=alone)
            if sure is not None:
                _add(found[mic], Crack(short.at_s, short.over_db, sure))
    return found


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
    short: Transient, voice: float | None, missing_db: float, *, alone: bool
) -> bool | None:
    """Return whether a short sound is surely a crack, or may be one; None for none."""
    proven = missing_db > PROVEN_MISSING_DB
    power = float(power_db(short.power))
    leaks = short.other_over_db > LEAKS_THERE_DB and missing_db < AS_THE_VOICE_DB
    if short.bright_power is not None:
        proven = missing_db > PROVEN_MISSING_DB + EDGE_LEAK_LESS_DB
        brighter_db = power - float(power_db(short.bright_power))
        if short.over_db < EDGE_DB or alone or not (proven or brighter_db > BRIGHTER_DB):
            return None
        return proven or missing_db > EDGE_UNHEARD_DB or brighter_db > MUCH_BRIGHTER_DB
    if leaks and not alone:
        return None
    under_db = 0.0 if voice is None else voice - power
    faint_db = ALONE_UNDER_VOICE_DB if alone else FAINT_UNDER_VOICE_DB
    if under_db <= PROVEN_UNDER_VOICE_DB and proven and short.over_db >= PROVEN_CLICK_DB:
        return True
    if under_db <= FAINTEST_UNDER_VOICE_DB and short.over_db >= ABRUPT_DB and not alone:
        return True
    least_db = LOUD_CLICK_DB if under_db <= LOUD_UNDER_VOICE_DB else CLICK_DB
    if under_db > CLICK_UNDER_VOICE_DB or short.over_db < least_db:
        return None
    return voice is None or under_db < faint_db or missing_db > LEAK_MISSING_DB


def voice_dbfs(measured: Measured, activity: Activity, dead: Mask, mic: int) -> float | None:
    """Return the usual level of the wearer's voice, None with less than a second of it."""
    audible = measured.spectra.audible[mic]
    own = frame_mask(activity.own[mic] & ~dead, len(audible)) & (audible > SILENCE_POWER)
    level = float(power_db(np.median(audible[own]))) if own.sum() >= FRAMES_PER_S else None
    let_go()
    return level


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


@dataclass(frozen=True)
class Unwanted:
    """Wind and cracks of both microphones, each list by microphone."""

    gusts: list[list[Gust]]
    cracks: list[list[Crack]]

    def cells(self, cells: int) -> Mask:
        """Return ``(2, cells)``: where there is wind or a crack, no part of a noise floor."""
        rows = []
        for blown, shorts in zip(self.gusts, self.cracks, strict=True):
            at = np.array([int(short.at_s * 100) for short in shorts], np.int64)
            rows.append(
                cells_of([(gust.start_s, gust.end_s) for gust in blown], cells)
                | mask_of(at - 1, at + 2, cells)
            )
        return np.stack(rows)


def find_unwanted(measured: Measured, activity: Activity, dead: Mask) -> Unwanted:
    """Find wind and cracks, once for the noise floor and the list of problems."""
    return Unwanted(gusts(measured, activity, dead), cracks(measured, activity, dead))
