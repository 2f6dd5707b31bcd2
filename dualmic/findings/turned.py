"""Asking again who speaks where a gain was turned in the middle of a take.

That a gain jumped shows only once it is known who speaks; who speaks is known well only once the
jump is undone. So the first answer finds the jumps, and if one is sure, it is asked once more.
"""

from concurrent.futures import ThreadPoolExecutor

from dualmic.findings.base import BESIDE_EACH_OTHER_S, SHORTEST_S, Finding, Known, Limits
from dualmic.findings.changes import changes
from dualmic.findings.sounds import rustle
from dualmic.hearing import Hearing, hear
from dualmic.measure import Measured
from dualmic.meters.gains import GainStep
from dualmic.stack import let_go


def hear_two(measured: Measured) -> tuple[Hearing, Known]:
    """Find who speaks through two microphones, turned gains undone.

    Returns:
        The hearing, and what was found of it on the way.

    """
    hearing = hear(measured)
    if measured.duration_s < SHORTEST_S:
        return hearing, {}
    known: Known = {}
    # Cloth takes as long to find as changes do, and most takes are heard once.
    with ThreadPoolExecutor(1) as beside:
        short = measured.duration_s <= BESIDE_EACH_OTHER_S
        cloth = beside.submit(rustle, hearing, Limits()) if short else None
        known[changes] = changes(hearing, Limits())
        if cloth:
            known[rustle] = cloth.result()
    let_go()
    steps = sure_steps(known[changes])
    return (hear(measured, gains=steps), {}) if steps else (hearing, known)


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
