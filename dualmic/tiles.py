"""The grid every meter works on: spans of whole seconds, in tiles of 100 ms and cells of 10 ms.

Readers yield blocks of any size; :func:`spans` cuts them anew into spans that always begin at a
multiple of their length in the take, so no result can depend on how a file was read. Bad samples
(NaN and infinity) are replaced by zero here, once, and remembered, so that no meter has to look for
them.

Conventions: a :class:`Span` holds samples as ``(channels, frames)`` float32, as many seconds as
all but for the last one, and what came just before them: who needs both at once need not put them
together. Cell ``k`` of a span starts at frame ``round(k * rate / 100)``; at sample
rates that 100 does not divide, cells differ by one frame.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

CELLS_PER_S = 100
TILES_PER_S = 10
CELLS_PER_TILE = CELLS_PER_S // TILES_PER_S
# Our choices. Every call costs, and two threads that measure wait for each other at each: in spans
# of one second a check takes a quarter longer. Longer ones leave the processor's cache. Of many
# channels or high sample rates a span is a second, so that none is larger than 12 MB but there.
SPAN_S = 4
BEFORE_S = 0.25  # our choice: what meters look back at most, and some more
_SPAN_SAMPLES_PER_S = 8 * 96_000

Floats = NDArray[np.float32]
Powers = NDArray[np.float64]
Mask = NDArray[np.bool_]
Indices = NDArray[np.int64]


@dataclass(frozen=True)
class Span:
    """Some whole seconds of the take, or what is left of it at the end.

    ``samples`` is ``(channels, frames)`` float32, each row contiguous; ``start_s`` counts from the
    start of the take. ``store`` holds as many frames before them as ``before`` says, zeros at the
    start of a take.
    """

    store: Floats
    start_s: int
    rate_hz: int
    before: int = 0

    @cached_property
    def samples(self) -> Floats:
        """The span's own samples."""
        return self.store[:, self.before :]

    def since(self, frames: int) -> Floats:
        """Return its samples with so many frames before them, ``(channels, frames)``.

        Raises:
            ValueError: it does not hold as many: more than :data:`BEFORE_S`.

        """
        if frames > self.before:
            raise ValueError(f"{frames} frames before a span are asked for, it holds {self.before}")
        return self.store[:, self.before - frames :]

    def only(self, channels: list[int]) -> "Span":
        """Return some of its channels."""
        return Span(self.store[channels], self.start_s, self.rate_hz, self.before)

    @cached_property
    def size(self) -> Floats:
        """Absolute values of the samples, worked out once for all meters that ask."""
        return np.abs(self.samples)

    @cached_property
    def tops(self) -> Floats:
        """Largest absolute sample of each 10 ms, of what is left of a cell at the end, too."""
        edges = cell_edges(self.rate_hz)
        tops = cell_maxima(self.size, edges)
        rest = self.size[:, edges[tops.shape[1]] :]
        if not rest.shape[1]:
            return tops
        return np.concatenate([tops, rest.max(axis=1, keepdims=True)], axis=1)

    @property
    def frames(self) -> int:
        """How many frames it holds: fewer than others at the end of the take."""
        return self.samples.shape[1]


@dataclass
class BadSamples:
    """NaN and infinity: how many in each channel, and (channel, start_s, end_s) by second."""

    count: NDArray[np.int64]
    spans: list[tuple[int, float, float]] = field(default_factory=list)


def power_db(power: Powers | Floats | float) -> Powers:
    """Return ``10 log10(power)``, silence as -200 dB."""
    return np.asarray(10 * np.log10(np.maximum(power, 1e-20)))


def cell_edges(rate_hz: int) -> Indices:
    """Return the frame numbers at which the cells of a span start and end."""
    return span_edges(rate_hz, CELLS_PER_S)


def span_edges(rate_hz: int, per_s: int) -> Indices:
    """Return the frame numbers at which the parts of a span start and end, ``per_s`` a second."""
    return np.round(np.arange(SPAN_S * per_s + 1) * rate_hz / per_s).astype(np.int64)


def whole_cells(edges: Indices, frames: int) -> int:
    """Return how many cells lie wholly inside ``frames`` frames."""
    return int(np.searchsorted(edges, frames, side="right")) - 1


def _even_width(edges: Indices) -> int:
    """Return the frames of a cell where all have as many, else 0."""
    width = int(edges[1])
    return width if edges[-1] == width * (len(edges) - 1) else 0


def cell_sums(values: NDArray[np.floating], edges: Indices) -> Powers:
    """Add up ``values`` ``(..., frames)`` over each whole cell: ``(..., cells)`` float64."""
    cells = whole_cells(edges, values.shape[-1])
    if cells <= 0:
        return np.zeros((*values.shape[:-1], 0))
    width = _even_width(edges)
    if width:
        shaped = values[..., : cells * width].reshape(*values.shape[:-1], cells, width)
        return shaped.sum(axis=-1).astype(np.float64)
    sums = np.add.reduceat(values[..., : edges[cells]], edges[:cells], axis=-1)
    return sums.astype(np.float64)


def cell_products(first: Floats, second: Floats, edges: Indices) -> Powers:
    """Add up ``first * second`` over each whole cell; the product itself is never stored."""
    cells = whole_cells(edges, first.shape[-1])
    width = _even_width(edges)
    if cells <= 0 or not width:
        return cell_sums(first * second, edges)
    shape = (*first.shape[:-1], cells, width)
    one, two = (part[..., : cells * width].reshape(shape) for part in (first, second))
    return np.einsum("...k,...k->...", one, two).astype(np.float64)


def cell_maxima(values: Floats, edges: Indices) -> Floats:
    """Return the largest value of each whole cell: ``(..., cells)``."""
    cells = whole_cells(edges, values.shape[-1])
    if cells <= 0:
        return np.zeros((*values.shape[:-1], 0), np.float32)
    width = _even_width(edges)
    if width:
        shaped = values[..., : cells * width].reshape(*values.shape[:-1], cells, width)
        return shaped.max(axis=-1)
    return np.maximum.reduceat(values[..., : edges[cells]], edges[:cells], axis=-1)


def span_s(rate_hz: int, channels: int) -> int:
    """Return how many seconds a span of a take holds."""
    return SPAN_S if rate_hz * channels <= _SPAN_SAMPLES_PER_S else 1


# Our choice: 120 dB over full scale nothing is sound any more, but a number that was not one.
LARGEST = np.float32(1e6)


def spans(blocks: Iterable[Floats], rate_hz: int, bad: BadSamples | None = None) -> Iterator[Span]:
    """Cut ``blocks`` of ``(frames, channels)`` into :class:`Span` after :class:`Span`."""
    before = before_frames(rate_hz)
    filling: Floats | None = None
    held = before
    start_s = 0
    for block in blocks:
        used = 0
        while used < len(block):
            if filling is None:
                length_s = span_s(rate_hz, block.shape[1])
                filling = np.empty((block.shape[1], before + length_s * rate_hz), np.float32)
                filling[:, :before] = 0.0
            count = min(filling.shape[1] - held, len(block) - used)
            filling[:, held : held + count] = block[used : used + count].T
            held += count
            used += count
            if held == filling.shape[1]:
                yield _checked(Span(filling, start_s, rate_hz, before), bad)
                last, held = filling[:, -before:], before
                filling = np.empty_like(filling)
                filling[:, :before] = last
                start_s += length_s
    if filling is not None and held > before:
        yield _checked(Span(filling[:, :held], start_s, rate_hz, before), bad)


def before_frames(rate_hz: int) -> int:
    """Return how many frames before it a span holds."""
    return round(BEFORE_S * rate_hz)


def _checked(span: Span, bad: BadSamples | None) -> Span:
    # Where any sample is no number or huge, so is the sum, which costs a tenth of asking each one.
    samples, start_s, rate_hz = span.samples, span.start_s, span.rate_hz
    with np.errstate(invalid="ignore", over="ignore"):
        sums = samples.sum(axis=1)
    for channel in np.flatnonzero(~(np.abs(sums) < LARGEST)):
        for later_s, first in enumerate(range(0, samples.shape[1], rate_hz)):
            second = samples[channel, first : first + rate_hz]
            wrong = np.flatnonzero(~(np.abs(second) < LARGEST))
            second[wrong] = 0.0
            if bad is not None and len(wrong):
                bad.count[channel] += len(wrong)
                at_s = start_s + later_s
                first_s, end_s = at_s + wrong[0] / rate_hz, at_s + (wrong[-1] + 1) / rate_hz
                bad.spans.append((int(channel), float(first_s), float(end_s)))
    return span
