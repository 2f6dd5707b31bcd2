"""The proof: the reference signals measured by the code that checks a take, beside what is due.

Every signal of :mod:`reference_signals` is written to a file and checked like any other recording;
the quantity of each row is then read from the record. ``pyloudnorm`` reads the same samples as a
second opinion where it has one. The outcome is kept in the user's cache folder, for this machine,
this version of the code and these libraries, so that every later report can say whether the proof
passed. It is never run by itself.

    readings = run_proof()
    print("\\n".join(table(readings)))
    remember(readings)
"""

import functools
import math
import os
import tempfile
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from dualmic import __version__
from dualmic.mix import MixFacts
from dualmic.proof_cache import Reading, all_passed, cached_proof, remember
from dualmic.proof_table import last_line, table
from dualmic.record import TakeRecord
from dualmic.recording import open_recording
from dualmic.take import CheckOptions, check_take
from reference_signals import Row, all_rows, write

__all__ = [
    "Reading",
    "all_passed",
    "as_json",
    "cached_proof",
    "last_line",
    "remember",
    "run_proof",
    "table",
]

# Processes that signals are shared among; our choice: what a small computer's two cores carry.
AT_ONCE = max(1, min(2, os.cpu_count() or 1))
# One channel alone adds nothing to the two together, and pyloudnorm is slow.
SECOND_OPINION = ("programme.integrated_lufs", "programme.range_lu")

Group = list[Row]
Opinions = dict[str, float]


def run_proof(
    rows: Iterable[Row] | None = None,
    *,
    second_opinion: bool = True,
    progress: Callable[[int], None] | None = None,
) -> list[Reading]:
    """Measure every row through the code path of ``dualmic check``.

    Args:
        rows: rows to measure, all reference signals when not given.
        second_opinion: read integrated loudness and range with pyloudnorm as well.
        progress: called with the number of signals done.

    Returns:
        One reading a row, in the rows' order.

    """
    with tempfile.TemporaryDirectory(prefix="dualmic-proof-") as folder:
        if rows is None:
            return _all_measured(Path(folder), second_opinion, progress)
        readings: list[Reading] = []
        groups = _by_signal(rows)
        for done, group in enumerate(groups, start=1):
            readings += _measured(group, Path(folder), second_opinion, workers=2)
            if progress is not None:
                progress(done)
        return readings


def count_signals() -> int:
    """Return how many reference signals there are."""
    return len(_all_signals())


def _all_measured(
    folder: Path, second_opinion: bool, progress: Callable[[int], None] | None
) -> list[Reading]:
    """Measure all reference signals, shared among processes that each make them anew."""
    count = count_signals()
    readings: list[Reading] = []
    with ProcessPoolExecutor(AT_ONCE, mp_context=get_context("spawn")) as pool:
        jobs = [pool.submit(_measured_signal, k, folder, second_opinion) for k in range(count)]
        try:
            for done, job in enumerate(jobs, start=1):
                readings += job.result()
                if progress is not None:
                    progress(done)
        finally:
            for job in jobs:
                job.cancel()
    return readings


@functools.cache
def _all_signals() -> list[Group]:
    return _by_signal(all_rows())


def _by_signal(rows: Iterable[Row]) -> list[Group]:
    """Gather the rows of one signal, so that each is made and checked once."""
    groups: dict[str, Group] = {}
    for row in rows:
        groups.setdefault(row.signal.name, []).append(row)
    return list(groups.values())


def _measured_signal(number: int, folder: Path, second_opinion: bool) -> list[Reading]:
    return _measured(_all_signals()[number], folder, second_opinion, workers=1)


def _measured(group: Group, folder: Path, second_opinion: bool, *, workers: int) -> list[Reading]:
    """Make, check and read one signal."""
    signal = group[0].signal
    opinions = _opinions(group) if second_opinion else {}
    path = write(signal, folder)
    record = _checked(path, signal.channels, workers)
    path.unlink()
    return [_reading(row, record, opinions) for row in group]


def _checked(path: Path, channels: int, workers: int) -> TakeRecord | MixFacts:
    """Check a file as ``dualmic check`` does: two channels as a take, more as a finished mix."""
    if channels == 2:
        return check_take([path], CheckOptions(workers=workers))
    from dualmic.mix_measure import measure_mix

    with open_recording([path]) as recording:
        return measure_mix(recording)


def _reading(row: Row, record: TakeRecord | MixFacts, opinions: Opinions) -> Reading:
    read = quantity(record, row.quantity)
    return Reading(
        number=row.number,
        part=row.part,
        made=row.signal.made,
        quantity=row.quantity,
        expected=row.expected,
        read=read,
        difference=None if read is None else read - row.expected,
        minus=row.minus,
        plus=row.plus,
        unit=row.unit,
        source=row.source,
        second_opinion=opinions.get(row.quantity),
        passed=row.holds(read),
    )


def quantity(record: TakeRecord | MixFacts, path: str) -> float | None:
    """Return the number at ``path`` in a record, such as ``mics.subject.hum.frequency_hz``.

    Yes and no read 1 and 0, the polarities ``same`` and ``opposite`` 1 and -1; ``None`` where the
    record holds nothing there.
    """
    found: Any = record
    for step in path.split("."):
        found = found.get(step) if isinstance(found, dict) else getattr(found, step)
        if found is None:
            return None
    if isinstance(found, str):
        return {"same": 1.0, "opposite": -1.0}[found]
    return float(found)


def _opinions(group: Group) -> Opinions:
    """Return what pyloudnorm reads of a signal, by quantity."""
    wanted = {row.quantity for row in group} & set(SECOND_OPINION)
    if not wanted:
        return {}
    import pyloudnorm

    signal = group[0].signal
    meter = pyloudnorm.Meter(signal.sample_rate_hz)
    samples = signal.samples().astype(np.float64)
    opinions = {}
    for path in wanted:
        measure = meter.loudness_range if path.endswith("range_lu") else meter.integrated_loudness
        value = float(measure(samples))
        if math.isfinite(value):
            opinions[path] = value
    return opinions


class Report(msgspec.Struct, frozen=True):
    """The proof as JSON."""

    version: str
    passed: bool
    readings: list[Reading]


def as_json(readings: list[Reading]) -> bytes:
    """Return the proof as indented JSON with a final newline."""
    report = Report(__version__, all_passed(readings), readings)
    return msgspec.json.format(msgspec.json.encode(report), indent=1) + b"\n"
