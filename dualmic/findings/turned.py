"""Asking again who speaks where a gain was turned in the middle of a take.

That a gain jumped shows only once it is known who speaks; who speaks is known well only once the
jump is undone. So the first answer finds the jumps, and if one is sure, it is asked once more.
"""

from dualmic.findings.base import SHORTEST_S, Finding, Limits
from dualmic.findings.changes import changes
from dualmic.hearing import Hearing, hear
from dualmic.measure import Measured
from dualmic.meters.gains import GainStep
from dualmic.stack import let_go


def hear_two(measured: Measured) -> tuple[Hearing, list[Finding] | None]:
    """Find who speaks through two microphones, turned gains undone.

    Returns:
        The hearing, and :func:`dualmic.findings.changes.changes` of it where they are known.

    """
    hearing = hear(measured)
    if measured.duration_s < SHORTEST_S:
        return hearing, None
    found = changes(hearing, Limits())
    let_go()
    steps = sure_steps(found)
    if not steps:
        return hearing, found
    return hear(measured, gains=steps), None


def sure_steps(found: list[Finding]) -> list[GainStep]:
    """Return the jumps of gain among findings that are sure; a gain that sets itself is none."""
    return [
        GainStep(f.mic, (f.start_s + f.end_s) / 2, f.value)
        for f in found
        if f.kind == "level_jump"
        and f.severity == "warn"
        and not f.facts.get("automatic")
        and f.mic is not None
        and f.value is not None
    ]
