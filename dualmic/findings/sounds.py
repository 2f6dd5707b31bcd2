"""Sounds that do not belong: wind on a microphone, cracks, cloth."""

from dualmic.findings.base import Finding, Limits
from dualmic.hearing import Hearing
from dualmic.record import Severity
from dualmic.unwanted import Gust, gusts


def wind(hearing: Hearing, limits: Limits) -> list[Finding]:
    """Return the gusts on each microphone; those far under the speech are notes."""
    found = gusts(hearing.measured, hearing.activity, hearing.dead)
    return [_gust(mic, gust) for mic in (0, 1) for gust in found[mic]]


def _gust(mic: int, gust: Gust) -> Finding:
    severity: Severity = "warn" if gust.hurts else "note"
    level, limit = round(gust.level_dbfs, 1), round(gust.limit_dbfs, 1)
    return Finding("wind", mic, gust.start_s, gust.end_s, severity, level, limit, "dBFS")
