"""A take of hours, half an hour at a time, for whatever is told by the minute around it.

Parts overlap, so that each moment has enough around it in one of them, and each moment belongs to
one part alone.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

from dualmic.findings.base import Finding
from dualmic.hearing import Hearing
from dualmic.measure import Measured
from dualmic.meters.spectrum import FRAMES_PER_S
from dualmic.stack import let_go
from dualmic.tiles import CELLS_PER_S

PART_S, AROUND_S = 1800, 60  # our choices


@dataclass(frozen=True)
class Part:
    """A part of a take: ``hearing`` of it and of what lies around it, which begins at ``start_s``.

    Of the hearing, spectra, held runs, who speaks and what is dead are cut, nothing else. The
    part's own moments lie from ``first_s`` to before ``last_s``, counted from ``start_s``.
    """

    hearing: Hearing
    start_s: int
    first_s: float
    last_s: float

    def own(self, found: list[Finding]) -> list[Finding]:
        """Return the findings that begin within the part, in times of the take."""
        return [
            replace(f, start_s=f.start_s + self.start_s, end_s=f.end_s + self.start_s)
            for f in found
            if self.first_s <= f.start_s < self.last_s
        ]


def parts_of(hearing: Hearing) -> Iterator[Part]:
    """Yield the parts of a take; one of less than two parts' length is a single one."""
    duration_s = hearing.measured.duration_s
    if duration_s < 2 * PART_S:
        yield Part(hearing, 0, 0.0, float("inf"))
        return
    count = int(duration_s / PART_S)
    for number in range(count):
        is_last = number == count - 1
        start_s = max(number * PART_S - AROUND_S, 0)
        end_s = duration_s if is_last else (number + 1) * PART_S + AROUND_S
        first_s = float(number * PART_S - start_s) if number else float("-inf")
        last_s = float("inf") if is_last else first_s + PART_S
        if not number:
            last_s = float(PART_S)
        yield Part(_cut(hearing, start_s, end_s), start_s, first_s, last_s)
        let_go()


def _cut(hearing: Hearing, start_s: int, end_s: float) -> Hearing:
    cells = slice(start_s * CELLS_PER_S, round(end_s * CELLS_PER_S))
    activity = replace(
        hearing.activity,
        own=hearing.activity.own[:, cells],
        single=hearing.activity.single[:, cells],
        pause=hearing.activity.pause[cells],
        cloth=hearing.activity.cloth[cells],
        places=None,
    )
    measured = _measured(hearing.measured, cells, start_s, end_s)
    return replace(
        hearing,
        measured=measured,
        bands_db=hearing.bands_db[:, cells],
        activity=activity,
        dead=hearing.dead[:, cells],
        shut=hearing.shut[:, cells],
        shared=hearing.shared[cells],
    )


def _measured(measured: Measured, cells: slice, start_s: int, end_s: float) -> Measured:
    frames = slice(start_s * FRAMES_PER_S, round(end_s * FRAMES_PER_S) + 1)
    spectra = replace(
        measured.spectra,
        bands_db=measured.spectra.bands_db[:, cells],
        noise_bands=measured.spectra.noise_bands[:, frames],
    )
    held = [
        [
            replace(run, start_s=run.start_s - start_s, end_s=run.end_s - start_s)
            for run in runs
            if run.end_s > start_s and run.start_s < end_s
        ]
        for runs in measured.held
    ]
    length = round((end_s - start_s) * measured.rate_hz)
    return replace(measured, frames=length, spectra=spectra, held=held)
