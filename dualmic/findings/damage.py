"""Damage no gain can mend: clipped tops, lost sound, bad samples, a DC offset, a file cut short."""

import numpy as np

from dualmic.findings.base import Finding, Limits
from dualmic.hearing import Hearing
from dualmic.meters.continuity import HeldRun
from dualmic.meters.masks import bridged, cells_of, runs_of
from dualmic.meters.rounded_tops import rounded_tops
from dualmic.record import Severity

# Our choices: tops closer than this belong to one word, lost moments closer than this to one event.
CLIPPING_GAP_S = 0.5
DROPOUT_GAP_S = 0.25
# A DC offset takes headroom and clicks at cuts. Converters stay under 0.1 %; 1 % costs 0.1 dB of
# headroom and clicks audibly. (common practice, no source)
DC_NOTE, DC_WARN = 0.003, 0.01
# A run of silence is inside a word if sound stood this far over the background just beside it.
CUT_DB = 10.0
BESIDE_S = 0.03
MUTED_SHARE = 0.05
# A pack or gate that mutes itself takes a good part of the time in which nobody speaks, and so does
# a background under the last bit; sound that is lost now and then takes little of it.
MUTED_PAUSES_SHARE = 0.2
# A gate closes once the sound has died away: nearly all its silences begin at about one level,
# which is its threshold. What begins so far above it was torn away.
OVER_CLOSING_DB, CLOSING_PERCENTILE = 15.0, 75.0


def clipping(hearing: Hearing, limits: Limits) -> list[Finding]:
    """Return the stretches with flat tops; severity by flat time within the turn they fall in."""
    found = []
    rate = hearing.measured.rate_hz
    for mic in (0, 1):
        frames = hearing.clipped[mic].astype(np.int64)
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
        # A codec bends what was cut flat: there, piled tops are taken for clipping.
        if hearing.clipped[mic].any() or not hearing.measured.tops.is_exact:
            continue
        tops = rounded_tops(hearing.measured.levels.peak[mic])
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


def dropouts(hearing: Hearing, limits: Limits) -> list[Finding]:
    """Return the moments at which sound vanishes or freezes."""
    found = []
    for mic in (0, 1):
        cut, muted = _sorted_runs(hearing, mic)
        for group in _grouped(cut):
            gone_ms = sum(run.end_s - run.start_s for run in group) * 1000
            severity: Severity = "fail" if gone_ms >= limits.dropout_ms else "note"
            found.append(
                Finding(
                    "dropout",
                    mic,
                    group[0].start_s,
                    group[-1].end_s,
                    severity,
                    round(gone_ms, 1),
                    limits.dropout_ms,
                    "ms",
                    count=len(group),
                    spoils=severity == "fail",
                    facts={"frozen": any(run.value != 0 for run in group)},
                )
            )
        found += _mutes(hearing, mic, muted)
    return found


def _sorted_runs(hearing: Hearing, mic: int) -> tuple[list[HeldRun], list[HeldRun]]:
    """Split held runs into those that cut into sound and those in pauses; dead stretches aside."""
    cut: list[HeldRun] = []
    muted: list[HeldRun] = []
    dead = hearing.dead[mic]
    power = hearing.measured.levels.power[mic]
    live = power[power > 1e-14]
    least = float(np.percentile(live, 10)) if len(live) else 0.0
    least *= 10 ** (CUT_DB / 10)
    closing = _closing_power(hearing, mic)
    for run in hearing.measured.held[mic]:
        start, end = int(run.start_s * 100), int(np.ceil(run.end_s * 100))
        at_edge = run.start_s <= 0 or run.end_s >= hearing.measured.duration_s
        if dead[start:end].any() or (at_edge and not _speech_in(hearing, mic, start, end)):
            continue
        if closing is not None and run.value == 0:
            # Hiss counts as its silence: that is how the last bit sounds as it flickers.
            is_cut = run.before > closing
        else:
            is_cut = _speech_in(hearing, mic, start, end) or _loudest(power, start, end) > least
        (cut if is_cut else muted).append(run)
    return cut, muted


def _closing_power(hearing: Hearing, mic: int) -> float | None:
    """Return the level above which a microphone that mutes itself never does; None for others."""
    measured = hearing.measured
    silences = [run for run in measured.held[mic] if run.value == 0 and not run.is_hiss]
    held = cells_of([(run.start_s, run.end_s) for run in silences], measured.cells)
    nobody = ~(hearing.activity.own[0] | hearing.activity.own[1]) & ~hearing.dead[mic]
    if (held & nobody).sum() <= MUTED_PAUSES_SHARE * nobody.sum():
        return None
    usual = np.percentile([run.before for run in silences], CLOSING_PERCENTILE)
    return float(usual) * 10 ** (OVER_CLOSING_DB / 10)


def _loudest(power: np.ndarray, start: int, end: int) -> float:
    """Return the loudest cell right before or after a silence."""
    reach = round(BESIDE_S * 100)
    before, after = power[max(start - reach, 0) : start], power[end : end + reach]
    return float(max(before.max(initial=0), after.max(initial=0)))


def _speech_in(hearing: Hearing, mic: int, start: int, end: int) -> bool:
    """Whether the wearer speaks on both sides of it within one stretch of speech."""
    own = hearing.activity.own[mic]
    return bool(own[max(start - 2, 0) : end + 2].all()) and end > start


def _grouped(runs: list[HeldRun]) -> list[list[HeldRun]]:
    groups: list[list[HeldRun]] = []
    for run in runs:
        if groups and run.start_s - groups[-1][-1].end_s <= DROPOUT_GAP_S:
            groups[-1].append(run)
        else:
            groups.append([run])
    return groups


def _mutes(hearing: Hearing, mic: int, muted: list[HeldRun]) -> list[Finding]:
    """One note for a pack that mutes itself in pauses; single silent pauses are listed as notes."""
    if not muted:
        return []
    total_s = sum(run.end_s - run.start_s for run in muted)
    if len(muted) >= 3 or total_s > MUTED_SHARE * hearing.measured.duration_s:
        runs = [(muted[0].start_s, muted[-1].end_s)]
    else:
        runs = [(run.start_s, run.end_s) for run in muted]
    return [
        Finding(
            "dropout",
            mic,
            start_s,
            end_s,
            "note",
            round(total_s * 1000, 1),
            None,
            "ms",
            count=len(muted),
            facts={"muted": True},
        )
        for start_s, end_s in runs
    ]


def dropout_ms_by_turn(hearing: Hearing, found: list[Finding]) -> list[float]:
    """Return the lost milliseconds of every turn on its speaker's own microphone."""
    lost = []
    for mic, start_s, end_s in hearing.turns:
        lost.append(
            sum(
                f.value or 0.0
                for f in found
                if f.kind == "dropout"
                and f.mic == mic
                and not f.facts.get("muted")
                and f.start_s < end_s
                and f.end_s > start_s
            )
        )
    return lost


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
