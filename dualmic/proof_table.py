"""The proof in print: 80 columns, a heading a source, a line a case, and a last line.

Of a case with several signals (twenty in Tech 3341 case 10) the worst is shown. A line that begins
with ``!`` lies outside its tolerance.
"""

import math
import textwrap
from collections.abc import Iterator, Sequence

from dualmic import __version__
from dualmic.proof_cache import Reading, all_passed

_NAMES = {
    "integrated_lufs": "integrated",
    "max_momentary_lufs": "max momentary",
    "max_short_term_lufs": "max short-term",
    "range_lu": "loudness range",
    "true_peak_dbtp": "true peak",
    "sample_peak_dbfs": "sample peak",
    "noise_floor_dbfs": "noise floor",
    "noise_floor_dba": "noise floor A",
    "frequency_hz": "hum frequency",
    "level_dbfs": "hum level",
    "clipped_samples": "clipped samples",
    "level_db": "leak level",
    "delay_ms": "leak delay",
    "polarity": "leak polarity",
    "is_upper_bound": "only a bound",
    "latency_ms": "link latency",
}
_HEADING = (
    f"  {'case':<18} {'quantity':<16}{'expected':>9}{'read':>10}{'off':>8} {'allowed':<9}{'2nd':>6}"
)

_LEGEND = (
    "2nd: pyloudnorm's reading of the same samples. xN: the worst of N signals.",
    "S: the subject's microphone, or the subject's voice in the other one.",
)


def table(readings: Sequence[Reading]) -> list[str]:
    """Return the printed proof: a source, its cases below it, and a last line."""
    lines = []
    by_document: dict[str, list[Reading]] = {}
    for reading in readings:
        by_document.setdefault(_document(reading.source), []).append(reading)
    for document, of_document in by_document.items():
        lines += ["", *textwrap.wrap(document, 80), _HEADING]
        lines += _case_lines(of_document)
    return [*lines[1:], "", *_LEGEND, last_line(readings)]


def last_line(readings: Sequence[Reading]) -> str:
    """Return the outcome in one sentence."""
    missed = sum(not reading.passed for reading in readings)
    if all_passed(readings):
        return (
            f"Proof passed: all {len(readings)} readings are inside their tolerances "
            f"(dualmic {__version__})."
        )
    return (
        f"Proof failed: {missed} of {len(readings)} readings lie outside (dualmic {__version__})."
    )


def _document(source: str) -> str:
    """Cut the case number off a source, so that the cases of one table stand together."""
    return source.split(" no. ")[0].split("; ")[0]


def _case_lines(readings: Sequence[Reading]) -> Iterator[str]:
    cases: dict[tuple[str, str], list[Reading]] = {}
    for reading in readings:
        cases.setdefault((reading.number, reading.quantity), []).append(reading)
    for (number, path), parts in cases.items():
        worst = max(parts, key=_distance)
        name = _NAMES[path.rsplit(".", 1)[-1]]
        if len(parts) > 1:
            number = f"{number} x{len(parts)}"
        if path.startswith(("mics.subject", "crosstalk.subject")):
            number = f"{number} S"
        yield _line("  " if worst.passed else "! ", number, name, worst)


def _distance(reading: Reading) -> float:
    """How much of its tolerance a reading uses; nothing read uses more than all."""
    if reading.difference is None:
        return math.inf
    allowed = reading.plus if reading.difference > 0 else reading.minus
    return abs(reading.difference) / allowed if allowed else abs(reading.difference) * math.inf


def _line(mark: str, number: str, name: str, reading: Reading) -> str:
    read = "nothing" if reading.read is None else f"{reading.read:.2f}"
    off = "" if reading.difference is None else f"{reading.difference:+.2f}"
    allowed = (
        f"±{reading.plus:.3g}"
        if reading.plus == reading.minus
        else f"+{reading.plus:g}/-{reading.minus:g}"
    )
    second = "" if reading.second_opinion is None else f"{reading.second_opinion:.2f}"
    return (
        f"{mark}{number:<18} {name:<16}{reading.expected:>9.2f}{read:>10}{off:>8} "
        f"{allowed:<8}{second:>7}"
    ).rstrip()
