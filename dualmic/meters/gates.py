"""Noise gates: what shuts a microphone while it hears nothing loud, and opens it with a word.

Some transmitters and cameras do that. Shut, a microphone holds its link's hiss, far under the room
that it hears while it is open, and neither the room nor the other person's voice: all that is told
by what a microphone does not hear would go wrong there. What gives a gate away is how it shuts:
after words the room is heard for a while, evenly, and then falls within some hundredths of a second
to what is always the same; no machine that stops does that whenever a pause is long enough.
"""

from typing import NamedTuple

import numpy as np

from dualmic.meters.bands import stretches, voice_power
from dualmic.meters.masks import bridged, runs_of
from dualmic.stack import kept, let_go, room
from dualmic.tiles import Floats, Mask, power_db

ALL_BANDS = slice(0, None)
SILENT_DB = -118.0  # digital silence is told by its samples
# Our choices, tuned on simulated scenes and takes. Shut is what lies within 3 dB of the quietest
# fiftieth of a take, for longer than between two syllables.
QUIETEST_PERCENTILE, SHUT_DB = 2.0, 3.0
SHORTEST_CELLS, BRIDGE_CELLS = 15, 3
# The room before it shuts: for so long, as much louder, and as even; the sound of a word that dies
# away falls faster than that. Then it takes no longer than this to shut.
ROOM_CELLS, SHUTS_CELLS = 17, 8
ROOM_OVER_DB, ROOM_SPREAD_DB, ROOM_DB_PER_S = 6.0, 6.0, 25.0
# Then something louder than the room opens it at once. In 17 of 20 microphones that were gated more
# than half of the quiet stretches began and ended so. In one of a thousand others they began so: a
# gain set itself, and they ended as it came up.
OPENS_CELLS, OPENS_OVER_DB = 15, 10.0
LEAST_TIMES, LEAST_SHARE = 4, 0.55
_ROOM_RANKS = (ROOM_CELLS - 1) * np.array([0.1, 0.5, 0.9])
_COURSE = np.arange(ROOM_CELLS) - (ROOM_CELLS - 1) / 2  # levels times it tell how they rise


class Gates(NamedTuple):
    """Where gates are ``shut``, and where, just before, the ``room`` is heard; ``(2, cells)``."""

    shut: Mask
    room: Mask


class _Shut(NamedTuple):
    """Cells ``first`` to before ``end`` in which a gate is shut; what was the room's level before.

    ``room_db`` is None where the room was not heard just before.
    """

    first: int
    end: int
    room_db: float | None


def without_gates(bands_db: np.ndarray) -> tuple[np.ndarray, Gates]:
    """Return band levels as if no gate ever shut, and where they do.

    What is shut holds the room as it was heard just before, over and over. Without gates the levels
    returned are those given.

    Args:
        bands_db: ``(2, cells, bands)`` band powers in dB.

    """
    shut, before = np.zeros((2, *bands_db.shape[:2]), bool)
    opened = bands_db
    for mic, rows in enumerate(bands_db):
        found = _shut(rows)
        if not found:
            continue
        if opened is bands_db:
            opened = room(bands_db.shape, bands_db.dtype.type)
            opened[...] = bands_db
        seen = np.array([run.first for run in found if run.room_db is not None])
        for last in seen:
            before[mic, last - ROOM_CELLS : last] = True
        for run in found:
            last = int(seen[np.argmin(np.abs(seen - run.first))])
            heard = rows[last - ROOM_CELLS : last]
            shut[mic, run.first : run.end] = True
            opened[mic, run.first : run.end] = heard[np.arange(run.end - run.first) % ROOM_CELLS]
    return opened, Gates(kept(shut), kept(before))


def _shut(bands_db: np.ndarray) -> list[_Shut]:
    """Return the stretches in which one microphone is shut; none if it has no gate."""
    level_db = _level_db(bands_db)
    live = level_db > SILENT_DB
    if not live.any():
        return []
    least_db = float(np.percentile(level_db[live], QUIETEST_PERCENTILE))
    low = bridged(live & (level_db < least_db + SHUT_DB), BRIDGE_CELLS)
    starts, ends = runs_of(low)
    long = ends - starts >= SHORTEST_CELLS
    runs = [
        _Shut(max(int(start) - SHUTS_CELLS, 0), int(end), _room_db(level_db, int(start), least_db))
        for start, end in zip(starts[long], ends[long], strict=True)
    ]
    return runs if _is_gate(runs, level_db) else []


def _is_gate(runs: list[_Shut], level_db: Floats) -> bool:
    """Whether quiet stretches begin after the room was heard and end in something loud."""
    rooms_db = [run.room_db for run in runs if run.room_db is not None]
    known = sum(run.first >= ROOM_CELLS for run in runs)
    if len(rooms_db) < max(LEAST_TIMES, LEAST_SHARE * known):
        return False
    loud_db = float(np.median(rooms_db)) + OPENS_OVER_DB
    after = [level_db[run.end : run.end + OPENS_CELLS] for run in runs]
    opens = [bool((part >= loud_db).any()) for part in after if len(part) == OPENS_CELLS]
    return sum(opens) >= LEAST_SHARE * len(opens)


def _level_db(bands_db: np.ndarray) -> Floats:
    level_db = voice_power(bands_db, ALL_BANDS)
    for stretch in stretches(len(level_db)):
        level_db[stretch.part] = power_db(level_db[stretch.part])
    let_go()
    return level_db


def _room_db(level_db: Floats, start: int, least_db: float) -> float | None:
    """Return the room's level before a stretch that begins at ``start``, None if not heard."""
    before = level_db[max(start - SHUTS_CELLS - ROOM_CELLS, 0) : max(start - SHUTS_CELLS, 0)]
    if len(before) < ROOM_CELLS:
        return None
    low_db, middle_db, high_db = np.interp(_ROOM_RANKS, np.arange(ROOM_CELLS), np.sort(before))
    per_s = 100 * float(_COURSE @ before / (_COURSE @ _COURSE))
    even = high_db - low_db < ROOM_SPREAD_DB and abs(per_s) < ROOM_DB_PER_S
    return float(middle_db) if even and low_db >= least_db + ROOM_OVER_DB else None
