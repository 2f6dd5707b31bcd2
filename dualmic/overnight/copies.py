"""Copies of one recording, and backups that are not what they were made from.

Units of one form (rate, channels, length) are compared by the checksum of their sound. What has the
same sound is measured once; what has the same name and form but other sound is a bad copy.
"""

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field
from pathlib import Path

import msgspec

from dualmic.overnight import finding
from dualmic.overnight.finding import SeenFile, Unit
from dualmic.overnight.planning import Run, identity, job_for
from dualmic.overnight.running import gather, isolated

Paths = tuple[Path, ...]


@dataclass
class Copies:
    """``first_of`` gives a copy's original; ``twin_of`` what a bad copy was to be the same as."""

    first_of: dict[Paths, Paths] = field(default_factory=dict)
    twin_of: dict[Paths, Paths] = field(default_factory=dict)


def bad_copy(twin: str) -> str:
    """Return what is said of a unit whose twin has other sound."""
    return (
        f"{twin} has the same name and length but other sound: one of them is a bad copy. "
        "Copy it again before the card is erased."
    )


def settle_copies(
    run: Run,
    pool: Executor,
    units: Sequence[Unit],
    seen: Mapping[Path, SeenFile],
    tick: Callable[[], None],
) -> Copies:
    """Compare the sound of units of one form."""
    groups = finding.copies_to_settle(units)
    sounds = _checksums(run, pool, [unit for alike in groups for unit in alike], seen, tick)
    copies = Copies()
    for alike in groups:
        firsts: dict[str, Unit] = {}
        for unit in alike:
            sound = sounds.get(unit.paths)
            if sound is None:
                continue
            first = firsts.setdefault(sound, unit)
            if first is not unit:
                copies.first_of[unit.paths] = first.paths
        for unit in firsts.values():
            twins = (u for u in firsts.values() if u is not unit and _same_name(u, unit))
            if (twin := next(twins, None)) is not None:
                copies.twin_of[unit.paths] = twin.paths
    return copies


def _checksums(
    run: Run,
    pool: Executor,
    units: Sequence[Unit],
    seen: Mapping[Path, SeenFile],
    tick: Callable[[], None],
) -> dict[Paths, str]:
    """Return the checksum of each unit's sound; nothing for one that cannot be read."""
    known = run.memory.checksums()
    marks = {u.paths: run.memory.digest(repr(identity(run, u, seen))) for u in units}
    now = {mark: known[mark] for mark in marks.values() if mark in known}
    waiting = {
        pool.submit(isolated, msgspec.structs.replace(job_for(run, u), task="checksum")): u
        for u in units
        if marks[u.paths] not in now
    }
    for unit, answer in gather(waiting, tick):
        if answer.checksum:
            now[marks[unit.paths]] = answer.checksum
    if now != known:
        run.memory.keep_checksums(now)
    return {paths: now[mark] for paths, mark in marks.items() if mark in now}


def _same_name(one: Unit, two: Unit) -> bool:
    return [path.name for path in one.paths] == [path.name for path in two.paths]
