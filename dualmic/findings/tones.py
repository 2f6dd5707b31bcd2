"""A background that starts or stops and is told by its tones alone, or dated by them.

A pump under traffic lifts no band by enough to be seen, and yet is heard: see ``meters/tones.py``.
"""

from dataclasses import replace

from dualmic.findings.base import ENDS_S, Finding, overlaps
from dualmic.findings.moments import SURE_S
from dualmic.hearing import Hearing
from dualmic.meters.masks import runs_of
from dualmic.meters.tones import LINE_DB, ToneEdge

# Our choices.
SAME_S = 1.5  # nearer than this to another change, it is that change
MAINS_HZ, NEAR_HZ = (50.0, 60.0), 0.5  # multiples of the mains, as near as bins tell


def with_tones(hearing: Hearing, found: list[Finding]) -> list[Finding]:
    """Return the changes, and as notes the backgrounds that tones tell and nothing else does.

    A background that both tell is dated by whichever knows its moment better. The mains' tones are
    a hum's; where a microphone dies or comes back, all that it holds does.
    """
    ends_s = [
        at / 100 for mic in (0, 1) for ends in runs_of(hearing.dead[mic]) for at in ends.tolist()
    ]
    found, told = list(found), []
    for edge in hearing.measured.low.tones:
        span = edge.first_s - SURE_S, edge.last_s + SURE_S
        if _is_mains(edge) or any(span[0] - ENDS_S < at_s < span[1] + ENDS_S for at_s in ends_s):
            continue
        moments = [f for f in found if not f.facts.get("automatic")]
        if not overlaps(*span, moments, SAME_S):
            told.append(_finding(edge, span))
            continue
        for k, f in enumerate(found):
            same = f.kind == "background_change" and ((f.value or 0.0) > 0) == edge.comes
            if same and overlaps(*span, [f], SAME_S) and span[1] - span[0] < f.end_s - f.start_s:
                found[k] = replace(f, start_s=span[0], end_s=span[1])
    return found + told


def _is_mains(edge: ToneEdge) -> bool:
    """Whether all tones are multiples of a mains frequency."""
    return any(
        all(abs(hz - round(hz / mains) * mains) <= NEAR_HZ for hz in edge.tones_hz)
        for mains in MAINS_HZ
    )


def _finding(edge: ToneEdge, span: tuple[float, float]) -> Finding:
    value = round(edge.over_db if edge.comes else -edge.over_db, 1)
    facts = {"tone_hz": min(edge.tones_hz)}
    kind = "background_change"
    return Finding(kind, None, *span, "note", value, LINE_DB, "dB", facts=facts)
