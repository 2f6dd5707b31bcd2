"""What is wrong with the files themselves: cut short, or with gaps in their own clock."""

from collections.abc import Sequence

from dualmic.findings.base import Finding
from dualmic.record import Roles
from dualmic.recording import Ending

EDGE_S = 0.03  # our choice: silence is found to the cell of 10 ms, and one more on each side


def with_file_findings(found: Sequence[Finding], ending: Ending, roles: Roles) -> list[Finding]:
    """Add what reading the files brought; silence that a gap explains is not told twice.

    A gap is one problem of each microphone that it hit; gaps on other channels are only noted.
    """
    gaps = _gaps(ending, roles)
    kept = [f for f in found if not any(_explains(gap, f) for gap in gaps)]
    return [*kept, *gaps, *_truncated(ending)]


def _gaps(ending: Ending, roles: Roles) -> list[Finding]:
    return [
        Finding(
            "dropout",
            mic,
            gap.start_s,
            gap.start_s + gap.duration_s,
            "fail",
            round(gap.duration_s * 1000, 1),
            0.0,
            "ms",
            spoils=True,
            facts={"gap": True},
        )
        for gap in ending.gaps
        for mic, channel in enumerate((roles.interviewer, roles.subject))
        if channel in gap.channels
    ]


def _explains(gap: Finding, other: Finding) -> bool:
    return (
        (other.kind, other.mic) == ("dropout", gap.mic)
        and other.start_s >= gap.start_s - EDGE_S
        and other.end_s <= gap.end_s + EDGE_S
    )


def _truncated(ending: Ending) -> list[Finding]:
    if not ending.truncated:
        return []
    missing_s = None if ending.missing_s is None else round(ending.missing_s, 2)
    end_s = ending.duration_s
    return [Finding("truncated", None, end_s, end_s, "warn", missing_s, 0.0, "s")]
