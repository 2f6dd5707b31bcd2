"""What the picture of a take holds, in seconds and decibels, before anything draws it.

The plot files, the page and the sheet all draw this one description, so they always agree: a lane
for each microphone, the subject's first, each with its level and below it one row for every kind
of problem found there; then the rows of problems that concern both microphones.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dualmic.record import MicRole, Problem, Severity, TakeRecord, Trace
from dualmic.report.codes import KINDS, Kind, kind_of
from dualmic.report.words import clock

#: Lanes from top to bottom: the answers cannot be recorded again, so they come first (our choice).
LANE_ORDER: tuple[MicRole, MicRole] = ("subject", "interviewer")
#: Drawn depth of a lane, dB below full scale; deeper than any camera's noise (our choice).
FLOOR_DB = -80.0

_TICK_STEPS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400)


@dataclass(frozen=True)
class Mark:
    """One problem on its row."""

    problem: int
    start_s: float
    end_s: float
    severity: Severity


@dataclass(frozen=True)
class Row:
    """All problems of one kind in one lane, in order of time."""

    name: str
    kind: Kind
    marks: list[Mark]


@dataclass(frozen=True)
class Span:
    """A stretch of the take; ``urgent`` when nothing else holds the words spoken in it."""

    start_s: float
    end_s: float
    urgent: bool = False


@dataclass(frozen=True)
class Lane:
    """One microphone: level per column, who speaks, background, loudest moment, problems.

    ``edges_s`` has one more value than the level arrays; ``rms_dbfs`` and ``peak_dbfs`` are NaN
    where there is digital silence, and empty when the record holds no overview.
    """

    role: MicRole
    channel: int | None
    edges_s: NDArray[np.float64]
    rms_dbfs: NDArray[np.float64]
    peak_dbfs: NDArray[np.float64]
    speaking: NDArray[np.bool_]
    noise_dbfs: float | None
    loudest_dbtp: float | None
    loudest_at_s: float | None
    at_risk: list[Span]
    rows: list[Row]


@dataclass(frozen=True)
class Picture:
    """The whole picture of a take."""

    duration_s: float
    lanes: list[Lane]
    shared_rows: list[Row]
    ticks_s: list[float]

    @property
    def kinds(self) -> list[Kind]:
        """The kinds of problem that appear, each once, in the order of the letter table."""
        names = {row.name for lane in self.lanes for row in lane.rows}
        names |= {row.name for row in self.shared_rows}
        return [kind_of(name) for name in sorted(names, key=_kind_order)]


def picture(record: TakeRecord, *, columns: int = 720, ticks: int = 6) -> Picture:
    """Describe the picture of ``record`` with at most ``columns`` level columns a lane."""
    duration_s = max(record.take.duration_s, 0.001)
    roles = [role for role in LANE_ORDER if role in record.mics or _trace(record, role)]
    return Picture(
        duration_s=duration_s,
        lanes=[_lane(record, role, duration_s, columns) for role in roles],
        shared_rows=_rows([p for p in record.problems if p.mic not in roles]),
        ticks_s=tick_times(duration_s, ticks),
    )


def tick_times(duration_s: float, most: int = 6) -> list[float]:
    """Return round times from 0 up to ``duration_s``, at most about ``most`` of them."""
    step = next((s for s in _TICK_STEPS_S if duration_s / s <= most), _TICK_STEPS_S[-1])
    return [float(at) for at in range(0, int(duration_s) + 1, step)]


def tick_label(at_s: float) -> str:
    """Return the elapsed time under a tick."""
    return clock(at_s)


def reduce_levels(
    levels_db: NDArray[np.float64], groups: NDArray[np.intp], *, peak: bool
) -> NDArray[np.float64]:
    """Merge neighbouring levels: the largest of peaks, the power mean of RMS values.

    ``groups`` holds the first index of every group. Digital silence (NaN) counts as no power; a
    group of nothing else stays NaN.
    """
    if peak:
        best = np.maximum.reduceat(np.where(np.isnan(levels_db), -np.inf, levels_db), groups)
        return np.where(np.isinf(best), np.nan, best)
    power = np.where(np.isnan(levels_db), 0.0, 10.0 ** (levels_db / 10.0))
    sizes = np.diff(np.append(groups, len(levels_db)))
    mean = np.add.reduceat(power, groups) / sizes
    with np.errstate(divide="ignore"):
        return np.where(mean > 0, 10.0 * np.log10(mean), np.nan)


def _trace(record: TakeRecord, role: MicRole) -> Trace | None:
    return record.overview.interviewer if role == "interviewer" else record.overview.subject


def _lane(record: TakeRecord, role: MicRole, duration_s: float, columns: int) -> Lane:
    mic, trace = record.mics.get(role), _trace(record, role)
    empty = np.empty(0)
    edges, rms, peak = np.array([0.0, duration_s]), empty, empty
    if trace is not None and trace.rms_dbfs:
        count = len(trace.rms_dbfs)
        groups = np.unique(np.linspace(0, count, min(columns, count), endpoint=False).astype(int))
        rms = reduce_levels(np.array(trace.rms_dbfs, dtype=float), groups, peak=False)
        peak = reduce_levels(np.array(trace.peak_dbfs, dtype=float), groups, peak=True)
        edges = np.append(groups * record.overview.step_s, duration_s)
    middles = (edges[:-1] + edges[1:]) / 2
    speaking = np.zeros(len(middles), dtype=bool)
    for turn in record.turns:
        if turn.speaker == role:
            speaking |= (edges[1:] > turn.start_s) & (edges[:-1] < turn.end_s)
    return Lane(
        role=role,
        channel=mic.channel if mic else None,
        edges_s=edges,
        rms_dbfs=rms,
        peak_dbfs=peak,
        speaking=speaking,
        noise_dbfs=mic.noise_floor_dbfs if mic else None,
        loudest_dbtp=mic.true_peak_dbtp if mic else None,
        loudest_at_s=mic.true_peak_at_s if mic else None,
        at_risk=[
            Span(line.start_s, line.end_s, not (line.covered_by and line.covered_by.usable))
            for line in record.at_risk
            if line.speaker == role
        ],
        rows=_rows([p for p in record.problems if p.mic == role]),
    )


def _rows(problems: list[Problem]) -> list[Row]:
    names = sorted({p.kind for p in problems}, key=_kind_order)
    return [
        Row(
            name,
            kind_of(name),
            [
                Mark(p.id, p.start_s, max(p.end_s, p.start_s), p.severity)
                for p in problems
                if p.kind == name
            ],
        )
        for name in names
    ]


def _kind_order(name: str) -> tuple[int, str]:
    names = list(KINDS)
    return (names.index(name) if name in KINDS else len(names), name)
