"""What a finding is, and the limits that decide how bad it is."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Protocol

from dualmic.record import Severity
from dualmic.tiles import CELLS_PER_S, Mask

if TYPE_CHECKING:
    from dualmic.hearing import Hearing

BLOCK_CELLS = 5
"""Changes of level and background are looked for in blocks of 50 ms (our choice)."""
BLOCKS_PER_S = CELLS_PER_S // BLOCK_CELLS
SHORTEST_S = 1.0  # our choice: in less there is no voice, background or level to judge
ENDS_S = 0.3  # our choice: as near as the ends of a stretch are known


@dataclass(frozen=True)
class Finding:
    """One problem section as measured.

    ``mic`` is 0 (interviewer), 1 (subject) or None (both together). ``limit`` is what ``value`` is
    held against; ``facts`` fill in the words. ``spoils`` says that speech under it is damaged.
    """

    kind: str
    mic: int | None
    start_s: float
    end_s: float
    severity: Severity
    value: float | None = None
    limit: float | None = None
    unit: str | None = None
    count: int = 1
    spoils: bool = False
    facts: Mapping[str, object] = field(default_factory=dict)


def as_note(finding: Finding) -> Finding:
    """Return a finding as what only may be; one that is a note anyway stays as it is."""
    if finding.severity == "note":
        return finding
    return replace(finding, severity="note", facts={**finding.facts, "doubted": True})


class Lasting(Protocol):
    """What begins and ends: a finding, a gust, a stretch of cloth."""

    @property
    def start_s(self) -> float:
        """When it begins, in seconds."""

    @property
    def end_s(self) -> float:
        """When it ends, in seconds."""


def overlaps(
    start_s: float, end_s: float, others: Sequence[Lasting], slack_s: float = ENDS_S
) -> bool:
    """Whether a stretch and one of the others overlap, or lie nearer than ``slack_s``.

    With a negative slack, whether they overlap by more than that.
    """
    return any(start_s < o.end_s + slack_s and end_s > o.start_s - slack_s for o in others)


def in_blocks(cells: Mask, count: int) -> Mask:
    """Return a mask of cells by block, ``(..., blocks, cells of a block)``."""
    return cells[..., : count * BLOCK_CELLS].reshape(*cells.shape[:-1], count, BLOCK_CELLS)


@dataclass(frozen=True)
class Limits:
    """The strictest limits of the deliveries asked for, and each microphone's gains to them.

    ``gain_db`` holds, per microphone, the largest gain any delivery needs; None if unknown.
    ``least_gain_db`` is what speech needs at the least that is too quiet for its loudness to count.
    ``mains_hz`` is the mains frequency that the settings name, None if they do not.
    ``levelled_db`` is what a leak into each microphone changes by once both are levelled.
    """

    noise_warn_db: float | None = 22.0
    noise_fail_db: float | None = 12.0
    crosstalk_warn_db: float | None = -8.0
    gain_warn_db: float | None = 30.0
    gain_fail_db: float | None = None
    clipping_warn_ms: float = 1.0
    clipping_fail_ms: float = 10.0
    dropout_ms: float = 10.0
    gain_db: tuple[float | None, float | None] = (None, None)
    least_gain_db: float | None = None
    levelled_db: tuple[float | None, float | None] = (None, None)
    mains_hz: float | None = None


Finder = Callable[["Hearing", Limits], list[Finding]]
Known = dict[Finder, list[Finding]]
"""Findings that are there already, by what finds them."""
