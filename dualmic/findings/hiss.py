"""A receiver's own hiss, told from what only sounds like it.

Hiss that lies under all that its microphone holds otherwise is a receiver's. A link may hiss as
loudly as the background, though: what seems torn from a word is lost if the other microphone hears
that word go on.
"""

import numpy as np

from dualmic.hearing import Hearing
from dualmic.meters.bands import voice_power
from dualmic.meters.continuity import HeldRun
from dualmic.meters.masks import cells_of
from dualmic.stack import let_go
from dualmic.tiles import Floats

# All our choices. A word's closure heard through a gain that holds the word down lies no lower:
# just after words the background lies there too.
HISS_UNDER_DB, HISS_PERCENTILE = 6.0, 1.0
# A voice that leaks on stands so far over what the other microphone holds at its quietest, and is
# no louder there, for the most, than the loudest just before and after. The other person would be.
GOES_ON_DB, FLOOR_PERCENTILE = 6.0, 10.0
BESIDE_CELLS, LOUD_PERCENTILE, LOUDER_DB = 30, 90.0, 3.0


def held_down(hearing: Hearing, mic: int) -> set[HeldRun]:
    """Return what seems a receiver's hiss and is as loud as the microphone's lowest elsewhere."""
    runs = hearing.measured.held[mic]
    if not any(run.is_hiss for run in runs):
        return set()
    power = voice_power(hearing.bands_db[mic])
    let_go()
    lowest = _lowest(hearing, mic, power, HISS_PERCENTILE)
    if lowest is None:
        return set()
    least = lowest * 10 ** (-HISS_UNDER_DB / 10)
    inside = [power[_inside(run)] for run in runs]
    loud = [
        run
        for run, part in zip(runs, inside, strict=True)
        if run.is_hiss and len(part) and float(np.median(part)) > least
    ]
    del power, inside
    return set(loud) - _going_on(hearing, mic, [run for run in loud if run.is_torn])


def _inside(run: HeldRun) -> slice:
    """Return the cells that hold nothing but a run: each spectrum spans the cell before, too."""
    return slice(int(np.ceil(run.start_s * 100)) + 1, int(run.end_s * 100))


def _lowest(hearing: Hearing, mic: int, power: Floats, percentile: float) -> float | None:
    """Return what is lowest of a microphone's power where it is neither dead nor lost."""
    spans = [(run.start_s, run.end_s) for run in hearing.measured.held[mic]]
    gone = cells_of(spans, len(power)) | hearing.dead[mic][: len(power)]
    rest = power[~gone]
    if not len(rest):
        return None
    lowest = float(np.percentile(rest, percentile, overwrite_input=True))
    del rest, gone
    let_go()
    return lowest


def _going_on(hearing: Hearing, mic: int, torn: list[HeldRun]) -> set[HeldRun]:
    """Return during which of the runs the other microphone hears the wearer of this one talk on.

    The voice that leaks there stays as it was. Who speaks cannot be asked: the other seems to.
    """
    if not torn:
        return set()
    power = voice_power(hearing.bands_db[1 - mic])
    let_go()
    floor = _lowest(hearing, 1 - mic, power, FLOOR_PERCENTILE)
    if floor is None:
        return set()
    least = floor * 10 ** (GOES_ON_DB / 10)
    found = set()
    for run in torn:
        part = _inside(run)
        before = power[max(part.start - BESIDE_CELLS, 0) : part.start]
        beside = np.concatenate([before, power[part.stop : part.stop + BESIDE_CELLS]])
        most = float(np.percentile(beside, LOUD_PERCENTILE)) * 10 ** (LOUDER_DB / 10)
        if least < float(np.median(power[part])) < most:
            found.add(run)
    return found
