"""Wind and cracks, found before the noise floor is measured, which leaves them out.

Wind is a burst below 100 Hz: well over what the microphone holds there while people speak as well
as in pauses, and near the level of its wearer's whole voice, for longer than a plosive.
"""

from dataclasses import dataclass

import numpy as np

from dualmic.cracking import Crack, cracks
from dualmic.measure import Measured
from dualmic.meters.continuity import LONGEST_TOP_S
from dualmic.meters.masks import bridged, cells_of, holding, longer, mask_of, moving_mean, runs_of
from dualmic.meters.noise import SILENCE_POWER
from dualmic.meters.spectrum import FRAMES_PER_S, frame_mask
from dualmic.meters.speech import Activity
from dualmic.stack import let_go
from dualmic.tiles import CELLS_PER_S, Mask, Powers, power_db
from dualmic.voice_level import voice_dbfs

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
# Under words, knocks and puffs are in the sum less than the voice. Each by itself is more than what
# the voice holds beside it, or than this voice ever holds below 100 Hz (its loudest quarter, and
# up to 10 dB more), and carries a quarter of a second; one or two of them are plosives.
BLOW_OVER_VOICED_DB, BLOW_OVER_LOUD_DB, LOUD_PERCENTILE, VOICE_NEAR_S = 3.0, 10.0, 75, 60.0
LEAST_BLOWS, LEAST_BLOWS_PER_S = 3, 1.0
# Our choice: of what passes for a voice no more than nine tenths are wind.
LOUDEST_PERCENTILE, LOUD_RATIO = 90.0, 10 ** (-5.0 / 10)
# A steady blow under words need not outdo the voice beside it: a voice falls between syllables. In
# 466 simulated scenes none held its low end up for a second without a gap. A deep one that does,
# holds more in its second and third tone than in its first.
BLOWS_ON_S, BLOWS_ON_UNDER_VOICED_DB = 1.0, 5.0
# Gusts differ from one microphone to the other; a lorry's rumble swells alike in both.
ALIKE = 0.85


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
    # A value held and let go of is a step, which is low as well; shorter ones wind itself makes,
    # where it runs into a ceiling.
    spans = [
        [(run.start_s, run.end_s) for run in runs if run.end_s - run.start_s > LONGEST_TOP_S]
        for runs in measured.held
    ]
    gone = dead | np.stack([cells_of(each, dead.shape[1]) for each in spans])
    return [_on_one(measured, activity, gone[mic], low_db, mic) for mic in (0, 1)]


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
    usuals = [float(np.median(row[quiet]))] if quiet.any() else []
    if own.any():
        # Strong wind passes for words; weighted as ears do, it is faint beside them.
        a_weighted = measured.spectra.a_weighted[mic]
        loud = a_weighted >= np.percentile(a_weighted[own], LOUDEST_PERCENTILE) * LOUD_RATIO
        usuals.append(min(float(np.median(row[own & part])) for part in (own, loud)))
    usual = max(usuals)
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
        blown = power.mean() >= voiced.mean() or _blows(measured, mic, start, end, limit, own)
        if not blown or part[mic].std() < WIND_LEAST_SPREAD_DB:
            continue
        level = float(power_db(power.mean()))
        over = int((part[mic] > limit).sum())
        hurts = over >= _frames(WIND_SHORTEST_S) and not _alike(part)
        times = float(start) / FRAMES_PER_S, min(float(end) / FRAMES_PER_S, measured.duration_s)
        found.append(Gust(*times, level, limit, hurts))
    return found


def _blows(measured: Measured, mic: int, start: int, end: int, limit: float, own: Mask) -> bool:
    """Whether a blow that lasts makes the stretch, or knocks or puffs that outdo the voice beside.

    ``own``: the frames in which the wearer speaks.
    """
    bands = measured.spectra.noise_bands[mic]
    low, voiced = power_db(bands[start:end, :2]).T
    if _blows_on(low, voiced, limit):
        return True
    near = slice(max(start - _frames(VOICE_NEAR_S), 0), end + _frames(VOICE_NEAR_S))
    over_db = BLOW_OVER_VOICED_DB
    # What is clipped is bent into every band, and the other's voice may be deeper.
    hop = CELLS_PER_S // FRAMES_PER_S
    clips = (measured.tops.flat_frames[mic, start * hop : end * hop] > 0).any()
    if own[start:end].mean() > 0.5 and not clips:
        usual = power_db(bands[near, :2][own[near]])
        over_db = min(
            over_db,
            float(np.percentile(usual[:, 0] - usual[:, 1], LOUD_PERCENTILE)) + BLOW_OVER_LOUD_DB,
        )
    alone = limit + float(power_db(WIND_MEAN_FRAMES))  # what one frame must hold to carry the mean
    blows = len(runs_of((low > voiced + over_db) & (low > alone))[0])
    return blows >= max(LEAST_BLOWS, LEAST_BLOWS_PER_S * (end - start) / FRAMES_PER_S)


def _blows_on(low: Powers, voiced: Powers, limit: float) -> bool:
    """Whether the low end stays up for longer than a voice does without a gap."""
    runs = zip(*runs_of(longer(low > limit, _frames(BLOWS_ON_S))), strict=True)
    over_voiced = [float(np.median(low[a:b] - voiced[a:b])) for a, b in runs]
    return any(each >= -BLOWS_ON_UNDER_VOICED_DB for each in over_voiced)


def _alike(part: Powers) -> bool:
    """Whether the low end of both microphones swells and falls together, and as far."""
    spread = part.std(axis=1)
    if part.shape[1] < 4 or spread.min() < 1.0:
        return False
    return float(np.corrcoef(part[0], part[1])[0][1]) > ALIKE


def _frames(seconds: float) -> int:
    return round(seconds * FRAMES_PER_S)


@dataclass(frozen=True)
class Unwanted:
    """Wind and cracks of both microphones, each list by microphone."""

    gusts: list[list[Gust]]
    cracks: list[list[Crack]]

    def blown(self, cells: int) -> Mask:
        """Return ``(2, cells)``: where there is wind."""
        spans = ([(gust.start_s, gust.end_s) for gust in each] for each in self.gusts)
        return np.stack([cells_of(each, cells) for each in spans])

    def cells(self, cells: int) -> Mask:
        """Return ``(2, cells)``: where there is wind or a crack, no part of a noise floor."""
        unwanted = self.blown(cells)
        for row, shorts in zip(unwanted, self.cracks, strict=True):
            at = np.array([int(short.at_s * 100) for short in shorts], np.int64)
            row |= mask_of(at - 1, at + 2, cells)
        return unwanted


def find_unwanted(measured: Measured, activity: Activity, dead: Mask, shut: Mask) -> Unwanted:
    """Find wind and cracks, once for the noise floor and the list of problems."""
    blown = gusts(measured, activity, dead)
    let_go()
    return Unwanted(blown, cracks(measured, activity, dead, shut))
