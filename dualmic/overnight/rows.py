"""What the day's page says of a take, from its record."""

import itertools
from collections import Counter

from dualmic.overnight.state import Row
from dualmic.record import TakeRecord

_PLOT_COLUMNS = 120  # our choice: about one a pixel of the small plot
_PLOT_RANGE_DB = 60.0  # our choice


def row_of(record: TakeRecord, key: str, name: str, files: list[str], page: str) -> Row:
    """Return what the day's page says of a take."""
    from dualmic.commands import exit_status
    from dualmic.report.verdict import ask_again, verdict_words
    from dualmic.report.words import clock

    words = verdict_words(record)
    rank = {"fail": 0, "warn": 1, "note": 2}
    told = [p for p in record.problems if p.severity != "note"]
    first = min(told, key=lambda p: (rank[p.severity], p.start_s), default=None)
    kinds = Counter(f"{p.kind} {p.mic or 'both'}" for p in told)
    return Row(
        key=key,
        name=name,
        files=files,
        verdict=record.verdict or record.kind_of_take,
        headline=words.headline,
        tone=words.tone,
        failed=exit_status(record) != 0,
        deliveries={name: delivery.result for name, delivery in record.deliveries.items()},
        first_problem=f"{clock(first.start_s)} {first.heard}" if first else None,
        at_risk=sum(not ask.covered for ask in ask_again(record)),
        duration_s=record.take.duration_s,
        recorded_at=record.take.recorded_at,
        speech_s={role: mic.speech_s for role, mic in record.mics.items()},
        kinds=dict(kinds),
        plot=_plot(record),
        page=page,
    )


def _plot(record: TakeRecord) -> dict[str, bytes]:
    plots = {}
    for role in ("interviewer", "subject"):
        trace = getattr(record.overview, role)
        levels = trace.peak_dbfs if trace else []
        columns = min(_PLOT_COLUMNS, len(levels))
        edges = [len(levels) * k // columns for k in range(columns + 1)] if columns else [0]
        tops = [
            max((v for v in levels[a:b] if v is not None), default=-_PLOT_RANGE_DB)
            for a, b in itertools.pairwise(edges)
        ]
        plots[role] = bytes(max(0, min(99, round(99 * (1 + top / _PLOT_RANGE_DB)))) for top in tops)
    return plots
