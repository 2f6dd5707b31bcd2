"""Asking again who speaks where a gain was turned in the middle of a take.

That a gain jumped shows only once it is known who speaks; who speaks is known well only once the
jump is undone. So the first answer finds the jumps, and if one is sure, it is asked once more.
"""

from concurrent.futures import ThreadPoolExecutor, wait
from dataclasses import replace

from dualmic.findings.base import SHORTEST_S, Finding, Known, Limits, overlaps
from dualmic.findings.changes import changes
from dualmic.findings.sounds import rustle
from dualmic.hearing import Hearing, hear
from dualmic.measure import Measured
from dualmic.meters.gains import GainStep
from dualmic.stack import let_go

SAME_S = 2.0  # our choice: two jumps nearer than this are one
BESIDE_EACH_OTHER_S = 7200.0  # our choice: of longer takes, one at a time fits in the memory


def hear_two(measured: Measured) -> tuple[Hearing, Known]:
    """Find who speaks through two microphones, turned gains undone.

    Returns:
        The hearing, and what was found of it on the way.

    """
    hearing = hear(measured)
    if measured.duration_s < SHORTEST_S:
        return hearing, {}
    known = _known(hearing)
    steps = sure_steps(known[changes])
    if not steps:
        return hearing, known
    hearing = hear(measured, gains=steps)
    again = _known(hearing)
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


def _known(hearing: Hearing) -> Known:
    """Find what takes longest, cloth and changes, beside each other where memory allows."""
    with ThreadPoolExecutor(1) as beside:
        cloth = beside.submit(rustle, hearing, Limits())
        if hearing.measured.duration_s > BESIDE_EACH_OTHER_S:
            wait([cloth])
            let_go()
        known: Known = {changes: changes(hearing, Limits()), rustle: cloth.result()}
    let_go()
    return known


def sure_steps(found: list[Finding]) -> list[GainStep]:
    """Return the jumps of gain among findings that are sure; a gain that sets itself is none."""
    return [
        GainStep(f.mic, (f.start_s + f.end_s) / 2, f.value)
        for f in found
        if _is_sure(f) and f.mic is not None and f.value is not None
    ]


def _is_sure(found: Finding) -> bool:
    sure = found.kind == "level_jump" and found.severity == "warn"
    return sure and not found.facts.get("automatic")
