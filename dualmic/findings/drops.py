"""Drops: short cracks again and again all through a stretch, as rain on a tent makes them.

One line for each drop is of no use to anybody, and buries what else is wrong. What cracks only now
and then, or more abruptly, stays a finding of its own.
"""

from collections.abc import Sequence
from dataclasses import replace

from dualmic.cracking import ABRUPT_DB
from dualmic.findings.base import Finding, overlaps

# Our choices: drops are told in pauses, and few answers last for longer than that without one. What
# cracks by a loose plug or a lost link does so now and then, and most of it more abruptly.
APART_S, LEAST_DROPS = 30.0, 8


def gathered(found: list[Finding]) -> list[Finding]:
    """Return the findings, notes of faint cracks that follow each other on a microphone as one.

    Two microphones that crack all through the same stretch are in the rain: a plug, a pack or a
    link is one microphone's own. What else cracks there then is counted with them, unless it is as
    abrupt as nothing but a crack is.
    """
    runs = [run for mic in (0, 1) for run in _runs(found, mic)]
    whole = [_as_one(run) for run in runs]
    for k, each in enumerate(whole):
        if any(other.mic != each.mic and _meet(each, other) for other in whole):
            runs[k] = [f for f in found if _is_faint(f) and f.mic == each.mic and _meet(f, each)]
            drops = _as_one(runs[k])
            whole[k] = replace(drops, severity="note", facts={"drops": True})
    gone = {id(f) for run in runs for f in run}
    return [*(f for f in found if id(f) not in gone), *whole]


def _runs(found: Sequence[Finding], mic: int) -> list[list[Finding]]:
    """Return the notes of a microphone's faint cracks that follow each other, if many do."""
    notes = [f for f in found if _is_faint(f) and f.mic == mic and f.severity == "note"]
    runs: list[list[Finding]] = []
    for crack in sorted(notes, key=lambda f: f.start_s):
        if runs and crack.start_s - runs[-1][-1].end_s < APART_S:
            runs[-1].append(crack)
        else:
            runs.append([crack])
    return [run for run in runs if len(run) >= LEAST_DROPS]


def _as_one(run: Sequence[Finding]) -> Finding:
    loudest = max(run, key=lambda f: f.value or 0.0)
    start_s, end_s = min(f.start_s for f in run), max(f.end_s for f in run)
    return replace(loudest, start_s=start_s, end_s=end_s, count=sum(f.count for f in run))


def _meet(one: Finding, other: Finding) -> bool:
    return overlaps(one.start_s, one.end_s, [other], 0.0)


def _is_faint(finding: Finding) -> bool:
    return finding.kind == "click" and (finding.value or 0.0) < ABRUPT_DB
