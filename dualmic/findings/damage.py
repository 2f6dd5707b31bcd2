"""Damage no gain can mend: clipped tops, bad samples, a DC offset. Lost sound: ``dropouts.py``."""

import numpy as np

from dualmic.findings.base import Finding, Limits
from dualmic.hearing import Hearing
from dualmic.meters.masks import bridged, runs_of
from dualmic.meters.rounded_tops import rounded_tops
from dualmic.record import Severity

# Our choice: tops closer than this belong to one word.
CLIPPING_GAP_S = 0.5
# A DC offset takes headroom and clicks at cuts. Converters stay under 0.1 %; 1 % costs 0.1 dB of
# headroom and clicks audibly. (common practice, no source)
DC_NOTE, DC_WARN = 0.003, 0.01


def clipping(hearing: Hearing, limits: Limits) -> list[Finding]:
    """Return the stretches with flat tops; severity by flat time within the turn they fall in."""
    found = []
    rate = hearing.measured.rate_hz
    for mic in (0, 1):
        frames = hearing.clipped[mic]
        spans = runs_of(bridged(frames > 0, round(CLIPPING_GAP_S * 100)))
        by_turn = _per_turn(hearing, mic, frames)
        for start, end in zip(*spans, strict=True):
            flat_ms = float(frames[start:end].sum()) / rate * 1000
            worst_ms = max([flat_ms, *(ms for a, b, ms in by_turn if a < end and b > start)])
            severity: Severity = "note"
            if worst_ms > limits.clipping_fail_ms:
                severity = "fail"
            elif worst_ms >= limits.clipping_warn_ms:
                severity = "warn"
            found.append(
                Finding(
                    "clipping",
                    mic,
                    start / 100,
                    end / 100,
                    severity,
                    round(flat_ms, 2),
                    limits.clipping_fail_ms,
                    "ms",
                    count=int((frames[start:end] > 0).sum()),
                    spoils=severity != "note",
                )
            )
    return found


def rounded(hearing: Hearing) -> list[Finding]:
    """Return microphones whose loudest moments a limiter has rounded: one note for each."""
    found = []
    for mic in (0, 1):
        if hearing.clipped[mic].any():
            continue
        tops = rounded_tops(hearing.measured.levels.peak[mic], hearing.measured.is_float)
        if tops is None:
            continue
        cells, ceiling_dbfs = tops
        starts, ends = runs_of(bridged(cells, round(CLIPPING_GAP_S * 100)))
        found.append(
            Finding(
                "clipping",
                mic,
                float(starts[0]) / 100,
                float(ends[-1]) / 100,
                "note",
                round(ceiling_dbfs, 1),
                None,
                "dBFS",
                count=len(starts),
                facts={"rounded": True},
            )
        )
    return found


def _per_turn(hearing: Hearing, mic: int, frames: np.ndarray) -> list[tuple[int, int, float]]:
    spans = []
    for speaker, start_s, end_s in hearing.turns:
        if speaker == mic:
            start, end = round(start_s * 100), round(end_s * 100)
            flat_ms = float(frames[start:end].sum()) / hearing.measured.rate_hz * 1000
            spans.append((start, end, flat_ms))
    return spans


def flat_ms_by_turn(hearing: Hearing) -> list[float]:
    """Return the clipped milliseconds of every turn on its speaker's own microphone."""
    rate = hearing.measured.rate_hz
    return [
        float(hearing.clipped[mic][round(a * 100) : round(b * 100)].sum()) / rate * 1000
        for mic, a, b in hearing.turns
    ]


def bad_samples(hearing: Hearing, channels: tuple[int, int]) -> list[Finding]:
    """Return where samples were not numbers; ``channels`` are the microphones' channels from 0."""
    found = []
    for mic, channel in enumerate(channels):
        spans = [(a, b) for c, a, b in hearing.measured.bad.spans if c == channel]
        for start_s, end_s in _joined(spans):
            count = sum(1 for a, _ in spans if start_s <= a < end_s)
            found.append(
                Finding(
                    "bad_samples",
                    mic,
                    start_s,
                    end_s,
                    "fail",
                    float(hearing.measured.bad.count[channel]),
                    0.0,
                    "samples",
                    count=count,
                    spoils=True,
                )
            )
    return found


def _joined(spans: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Join spans less than a second apart."""
    joined: list[tuple[float, float]] = []
    for start_s, end_s in spans:
        if joined and start_s - joined[-1][1] < 1.0:
            joined[-1] = (joined[-1][0], end_s)
        else:
            joined.append((start_s, end_s))
    return joined


def dc_offset(hearing: Hearing) -> list[Finding]:
    """Return microphones whose mean lies off zero."""
    found = []
    for mic in (0, 1):
        offset = float(hearing.measured.levels.dc_offset[mic])
        if abs(offset) >= DC_NOTE:
            severity: Severity = "warn" if abs(offset) >= DC_WARN else "note"
            end_s = hearing.measured.duration_s
            percent = round(abs(offset) * 100, 2)
            found.append(
                Finding("dc_offset", mic, 0.0, end_s, severity, percent, DC_WARN * 100, "%")
            )
    return found
