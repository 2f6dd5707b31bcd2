"""From measurements to the record's structs: rounding, absent numbers, the overview."""

import math

import numpy as np

from dualmic.findings.hums import steady_hum
from dualmic.hearing import HeardLeak, Hearing
from dualmic.measure import Measured
from dualmic.meters import loudness as lo
from dualmic.meters.noise import SILENCE_POWER
from dualmic.record import (
    Crosstalk,
    Harmonic,
    Hum,
    Leak,
    LeakSection,
    Loudness,
    Mic,
    Overview,
    Programme,
    Trace,
)
from dualmic.stack import let_go

# Two thousand points draw any width of paper or screen; a 4 h take then has one every 7 s.
OVERVIEW_POINTS = 2000


def rounded(value: float | None, digits: int = 3) -> float | None:
    """Round for the record; None for absent and for anything that is not a number."""
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), digits) + 0.0


def amplitude_db(value: float) -> float | None:
    """Return 20 log10, None for silence."""
    return rounded(20 * math.log10(value)) if value > 0 else None


def mic_of(hearing: Hearing, mic: int, channel: int, mains_hz: float | None = None) -> Mic:
    """Describe one microphone; ``mains_hz`` is what the settings say of the mains."""
    measured = hearing.measured
    cells = measured.loudness.power[mic]
    own = hearing.activity.single[mic] & ~hearing.dead[mic] & ~hearing.shared
    own = own[: len(cells)]
    floor = hearing.floors[mic]
    peak = float(measured.peaks.true_peak[mic])
    loudness = Loudness(
        rounded(lo.integrated_lufs(cells)),
        rounded(lo.max_momentary_lufs(cells)),
        rounded(lo.max_short_term_lufs(cells)),
        rounded(lo.range_lu(cells)),
        rounded(lo.speech_lufs(cells, own)),
    )
    let_go()
    return Mic(
        channel=channel,
        loudness=loudness,
        sample_peak_dbfs=amplitude_db(float(measured.levels.sample_peak[mic])),
        true_peak_dbtp=amplitude_db(peak),
        true_peak_at_s=rounded(measured.peaks.frame[mic] / measured.rate_hz, 4) if peak else None,
        clipped_samples=int(hearing.clipped[mic].sum()),
        noise_floor_dbfs=rounded(floor.dbfs) if floor else None,
        noise_floor_dba=rounded(floor.dba) if floor else None,
        noise_p10_dbfs=rounded(floor.p10_dbfs) if floor else None,
        noise_p90_dbfs=rounded(floor.p90_dbfs) if floor else None,
        speech_to_noise_db=rounded(hearing.speech_to_noise_db[mic]),
        hum=_hum(hearing, mic, mains_hz),
        dc_offset=round(float(measured.levels.dc_offset[mic]), 7) + 0.0,
        speech_s=round(hearing.speech_s(mic), 2),
    )


def _hum(hearing: Hearing, mic: int, mains_hz: float | None) -> Hum | None:
    found = steady_hum(hearing, mic, mains_hz)
    if found is None:
        return None
    return Hum(
        round(found.fundamental_hz, 3),
        round(10 * math.log10(found.power), 2),
        [
            Harmonic(round(frequency_hz, 2), round(10 * math.log10(power), 2))
            for frequency_hz, power in found.lines
            if power > 0
        ],
    )


def programme_of(measured: Measured) -> Programme:
    """Describe both microphones as one stereo programme."""
    cells = lo.programme_cells(measured.loudness.power)
    let_go()
    return Programme(
        rounded(lo.integrated_lufs(cells)),
        rounded(lo.max_momentary_lufs(cells)),
        rounded(lo.max_short_term_lufs(cells)),
        rounded(lo.range_lu(cells)),
        amplitude_db(float(measured.peaks.true_peak.max())),
    )


def crosstalk_of(hearing: Hearing) -> Crosstalk:
    """Describe the leaks of both voices."""
    first, second = (_leak(leak) for leak in hearing.leaks)
    latency = None
    if first.delay_ms is not None and second.delay_ms is not None:
        latency = rounded((first.delay_ms - second.delay_ms) / 2)
    return Crosstalk(first, second, latency)


def _leak(leak: HeardLeak) -> Leak:
    level, found = leak.level, leak.arrival
    return Leak(
        level_db=rounded(level.level_db) if level else None,
        is_upper_bound=level.is_upper_bound if level else False,
        delay_ms=rounded(found.delay_ms, 4) if found and found.delay_ms is not None else None,
        polarity=found.polarity if found else None,
        measured_s=level.measured_s if level else 0.0,
        sections=[
            LeakSection(start_s, round(end_s, 2), round(level_db, 2))
            for start_s, end_s, level_db in leak.sections
        ],
    )


def overview_of(measured: Measured, *, one_mic: bool = False) -> Overview:
    """Return level and peak over time in at most 2,000 steps of whole cells."""
    step = max(1, -(-measured.cells // OVERVIEW_POINTS))
    traces = [_trace(measured.levels.power[m], measured.levels.peak[m], step) for m in (0, 1)]
    first, second = traces
    return Overview(step / 100, None if one_mic else first, second)


def _trace(power: np.ndarray, peak: np.ndarray, step: int) -> Trace:
    starts = np.arange(0, len(power), step)
    if not len(starts):
        return Trace([], [])
    counts = np.minimum(starts + step, len(power)) - starts
    let_go()
    mean = np.array([power[at : at + step].sum(dtype=np.float64) for at in starts]) / counts
    let_go()
    top = np.maximum.reduceat(peak, starts).astype(np.float64)
    return Trace(
        [round(float(10 * np.log10(p)), 1) if p > SILENCE_POWER else None for p in mean],
        [round(float(20 * np.log10(p)), 1) if p > 1e-7 else None for p in top],
    )
