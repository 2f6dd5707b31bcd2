"""Asking again who speaks where a gain was turned in the middle of a take.

That a gain jumped shows only once it is known who speaks; who speaks is known well only once the
jump is undone. So the first answer finds the jumps, and if one is sure, it is asked once more; and
again if that shows another that takes a sure one back: half of the two undone would be worse than
none.
"""

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

from dualmic.findings.base import SHORTEST_S, Finding, Known, Limits, overlaps
from dualmic.findings.changes import changes
from dualmic.findings.sounds import rustle
from dualmic.forked import beside
from dualmic.hearing import Hearing, hear
from dualmic.measure import Measured
from dualmic.meters.gains import GainStep, believable
from dualmic.stack import let_go

SAME_S = 2.0  # our choice: two jumps nearer than this are one
BACK_DB = 1.5  # our choice: of one jump what is read is up to 1 dB off
BESIDE_EACH_OTHER_S = 7200.0  # our choice: of longer takes, one at a time fits in the memory


def hear_two(measured: Measured, *, may_fork: bool = False) -> tuple[Hearing, Known]:
    """Find who speaks through two microphones, turned gains undone.

    ``may_fork``: some of it may be worked out in a copy of this process.

    Returns:
        The hearing, and what was found of it on the way.

    """
    hearing = hear(measured)
    if measured.duration_s < SHORTEST_S:
        return hearing, {}
    known = _known(hearing, may_fork=may_fork)
    steps = believable(sure_steps(known[changes]))
    if not steps:
        return hearing, known
    hearing = hear(measured, gains=steps)
    again = _known(hearing, may_fork=may_fork)
    back = turned_back(steps, again[changes])
    if back:
        hearing = hear(measured, gains=believable(steps + back))
        again = _known(hearing, may_fork=may_fork)
    again[changes] += lost(known[changes], again[changes])
    return hearing, again


def lost(first: list[Finding], again: list[Finding]) -> list[Finding]:
    """Return the sure jumps that were only found as long as nothing was undone, as notes."""
    return [
        replace(f, severity="note")
        for f in first
        if _is_sure(f)
        and not overlaps(f.start_s, f.end_s, [o for o in again if o.kind == f.kind], SAME_S)
    ]


def _known(hearing: Hearing, *, may_fork: bool) -> Known:
    """Find what takes longest, cloth and changes, beside each other where memory allows."""
    with beside(partial(rustle, hearing, Limits()), may_fork=may_fork) as cloth:
        if hearing.measured.duration_s > BESIDE_EACH_OTHER_S:
            cloth()
            let_go()
        known: Known = {changes: changes(hearing, Limits()), rustle: cloth()}
    let_go()
    return known


def sure_steps(found: list[Finding]) -> list[GainStep]:
    """Return the jumps of gain among findings that are sure; a gain that sets itself is none."""
    return [_step(f) for f in found if _is_sure(f)]


def turned_back(steps: Sequence[GainStep], found: Sequence[Finding]) -> list[GainStep]:
    """Return the jumps among findings that take a sure step back, one for each such step.

    An input that was turned is often turned back to where it stood, and what only passes for a jump
    is not just as large the other way: so these count as sure, whatever they were found as.
    """
    jumps = [_step(f) for f in found if _is_jump(f)]
    apart = [jump for jump in jumps if not any(_same(jump, step) for step in steps)]
    back: list[GainStep] = []
    for step in steps:
        if any(_takes_back(step, other) for other in steps):
            continue
        those = [jump for jump in apart if _takes_back(step, jump) and jump not in back]
        back += sorted(those, key=lambda jump: abs(step.by_db + jump.by_db))[:1]
    return back


def _step(found: Finding) -> GainStep:
    assert found.mic is not None
    assert found.value is not None
    return GainStep(found.mic, (found.start_s + found.end_s) / 2, found.value)


def _same(one: GainStep, other: GainStep) -> bool:
    return one.mic == other.mic and abs(one.at_s - other.at_s) < SAME_S


def _takes_back(step: GainStep, other: GainStep) -> bool:
    return step.mic == other.mic and abs(step.by_db + other.by_db) < BACK_DB


def _is_jump(found: Finding) -> bool:
    told = found.kind == "level_jump" and found.mic is not None and found.value is not None
    return told and not found.facts.get("automatic")


def _is_sure(found: Finding) -> bool:
    return _is_jump(found) and found.severity == "warn"
