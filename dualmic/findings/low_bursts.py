"""Wind, cloth and cracks told apart where one burst shows the signs of several.

All three lift the low end of one microphone. Wind is turbulence: its power falls steeply above some
hundred hertz, and it blows for a second and longer. Cloth and hands rub as well as knock, up to
several kilohertz. A plug that cracks makes steps, which reach as far down as the input lets them,
over within a quarter of a second. To advise a windshield against a hand or a plug is no help.
"""

from dataclasses import replace

import numpy as np

from dualmic.cracking import CLICK_DB
from dualmic.findings.base import Finding, overlaps
from dualmic.hearing import Hearing
from dualmic.meters.masks import cells_of
from dualmic.meters.spectrum import FRAMES_PER_S
from dualmic.tiles import CELLS_PER_S, Powers, power_db

# Our choices. Of 150 gusts none held cloth for a tenth of its time but one, of bursts that cloth or
# a hand made none held it for less than 0.45.
CLOTH_SHARE = 0.3
# What is less than this under the power below 100 Hz from 1 to 3.15 kHz is not wind's: that of
# gusts alone lies 17 dB and more under it. (A voice over them may fill it: hence the cloth.)
STEEP_DB, LOW_BAND, STEEP_BAND = 15.0, 0, 3
# Nearly all of the power of a plug's bursts lies so near its cracks; a gust has its own course.
NEAR_CRACK_S, CRACK_SHARE = 0.2, 0.8
# A burst so short in which no crack was told is a plug's as well if it rises at once in all bands
# and up to several kilohertz the other microphone hears nothing of it, as it does of a plosive's
# wearer: by so much less than the leak of a voice, in the median of its loudest moments.
SHORT_S, RISES_DB, RISES_FRAMES = 0.6, 25.0, 3
UNHEARD_DB, UNHEARD_BANDS, LOUDEST_SHARE = 6.0, slice(3, 6), 0.25
AROUND_S = 1.0  # on either side of a burst, what it stands above


def told_apart(hearing: Hearing, found: list[Finding]) -> list[Finding]:
    """Return the findings, each burst of the low end as what made it.

    Cloth in which there is nothing but wind is taken for that; beside wind so faint that it is no
    more than a note, cloth is a note, too.
    """
    bursts = [f for f in found if f.kind == "wind"]
    gusts: list[Finding] = []
    kept: list[Finding] = []
    rest = [f for f in found if f.kind != "wind"]
    for burst in bursts:
        touched = [f for f in rest if f.kind == "rustle" and _meet(f, burst)]
        if _is_cloth(hearing, burst, touched):
            rest = [f for f in rest if f not in touched]
            kept.append(_as_cloth(burst, touched))
        elif _is_cracks(hearing, burst) or _is_a_plug(hearing, burst):
            cracks = [f for f in rest if f.kind == "click" and _meet(f, burst)]
            rest = [f for f in rest if f not in cracks]
            kept.append(_as_cracks(hearing, burst, cracks))
        else:
            gusts.append(burst)
    hurting = [gust for gust in gusts if gust.severity != "note"]
    for finding in rest:
        if finding.kind == "rustle" and any(_meet(finding, gust) for gust in hurting):
            continue
        if finding.kind == "rustle" and any(_meet(finding, gust) for gust in gusts):
            finding = replace(finding, severity="note")
        kept.append(finding)
    return [*gusts, *kept]


def _meet(one: Finding, other: Finding) -> bool:
    return one.mic == other.mic and overlaps(one.start_s, one.end_s, [other], 0.0)


def _is_cloth(hearing: Hearing, burst: Finding, touched: list[Finding]) -> bool:
    """Whether cloth or a hand is there for much of a burst, and it does not fall as wind does."""
    if not touched:
        return False
    first, last = (round(at_s * CELLS_PER_S) for at_s in (burst.start_s, burst.end_s))
    cloth = cells_of([(f.start_s, f.end_s) for f in touched], max(last, 1))[first:last]
    is_steep = _is_steep(power_db(_frames_of(hearing, burst).mean(axis=0)))
    return bool(cloth.mean() >= CLOTH_SHARE) and not is_steep


def _is_steep(bands_db: Powers) -> bool:
    """Whether the power of one frame or of a whole burst falls as wind's does, ``(bands,)``."""
    return bool(bands_db[STEEP_BAND] < bands_db[LOW_BAND] - STEEP_DB)


def _as_cloth(burst: Finding, touched: list[Finding]) -> Finding:
    """Return one finding of cloth: that the low end rises in one microphone bears it out."""
    worst = max(touched, key=lambda f: f.value or 0.0)
    sure = any(f.severity != "note" for f in [burst, *touched])
    return replace(
        worst,
        start_s=min(f.start_s for f in [burst, *touched]),
        end_s=max(f.end_s for f in [burst, *touched]),
        severity="warn" if sure else "note",
    )


def _is_cracks(hearing: Hearing, burst: Finding) -> bool:
    """Whether nearly all of a burst's low end lies beside sure cracks."""
    assert burst.mic is not None
    at_s = [crack.at_s for crack in hearing.unwanted.cracks[burst.mic] if crack.sure]
    low = _frames_of(hearing, burst)[:, LOW_BAND]
    times_s = burst.start_s + np.arange(len(low)) / FRAMES_PER_S
    near = np.zeros(len(low), bool)
    for at in at_s:
        near |= np.abs(times_s - at) <= NEAR_CRACK_S
    return bool(low[near].sum() >= CRACK_SHARE * low.sum())


def _is_a_plug(hearing: Hearing, burst: Finding) -> bool:
    """Whether a short burst rises at once, in all bands, and the other microphone lacks it."""
    assert burst.mic is not None
    if burst.severity == "note" or burst.end_s - burst.start_s > SHORT_S:
        return False
    mic = burst.mic
    cells = slice(round(burst.start_s * CELLS_PER_S), round(burst.end_s * CELLS_PER_S))
    levels_db = hearing.bands_db[:, cells, UNHEARD_BANDS].astype(np.float32)
    total = levels_db[mic].mean(axis=1)
    loud = total >= np.quantile(total, 1 - LOUDEST_SHARE)
    leak_db = power_db(hearing.activity.leak_ratio[mic][UNHEARD_BANDS])
    missing_db = levels_db[mic][loud] + leak_db - levels_db[1 - mic][loud]
    bands_db = power_db(_frames_of(hearing, burst))
    low = bands_db[:, LOW_BAND]
    rises_db = (low[RISES_FRAMES:] - low[:-RISES_FRAMES]).max(initial=-np.inf)
    is_steep = _is_steep(bands_db[low.argmax()])
    return bool(rises_db > RISES_DB and not is_steep and np.median(missing_db) > UNHEARD_DB)


def _as_cracks(hearing: Hearing, burst: Finding, cracks: list[Finding]) -> Finding:
    """Return one finding of a burst's cracks, which its low end bears out.

    They stand out by as much as it does over what is usual around it, if that is more.
    """
    assert burst.mic is not None
    low = hearing.measured.spectra.noise_bands[burst.mic, :, LOW_BAND]
    first, last = (round(at_s * FRAMES_PER_S) for at_s in (burst.start_s, burst.end_s))
    reach = round(AROUND_S * FRAMES_PER_S)
    around = float(np.median(low[max(first - reach, 0) : last + reach]))
    over_db = float(power_db(low[first:last].max()) - power_db(around))
    sure = any(f.severity != "note" for f in [burst, *cracks])
    return Finding(
        "click",
        burst.mic,
        min(f.start_s for f in cracks or [burst]),
        max(f.end_s for f in cracks or [burst]),
        "warn" if sure else "note",
        round(max([over_db, *(f.value or 0.0 for f in cracks)]), 1),
        CLICK_DB,
        "dB",
        count=sum(f.count for f in cracks) or 1,
    )


def _frames_of(hearing: Hearing, burst: Finding) -> Powers:
    """Return the powers of a burst's frames in the bands of a noise, ``(frames, bands)``."""
    assert burst.mic is not None
    first, last = (round(at_s * FRAMES_PER_S) for at_s in (burst.start_s, burst.end_s))
    powers = hearing.measured.spectra.noise_bands[burst.mic, first : max(last, first + 1)]
    return np.asarray(powers)
