"""One pass over a take: every meter sees every span of it once.

The two microphones go to all meters; other channels of the recording (safety copies, unused
tracks) only to those that say whether one is a copy of a microphone.

Meters do not depend on each other, so two threads share them unless one is asked for, as where
other takes are measured beside it; numpy and FFTs let go of the interpreter's lock. A meter is
handed the spans in order whatever thread runs it, so results do not depend on timing.
"""

from collections import deque
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from dualmic.meters.clipping import ClippedTops, ClippingMeter
from dualmic.meters.continuity import ContinuityMeter, HeldRun
from dualmic.meters.hum import HumMeter, LowSpectra
from dualmic.meters.levels import LevelMeter, Levels
from dualmic.meters.loudness import LoudnessCells, LoudnessMeter
from dualmic.meters.masks import cells_of
from dualmic.meters.peaks import TruePeakMeter, TruePeaks
from dualmic.meters.spectrum import Spectra, SpectrumMeter
from dualmic.meters.square_tops import SquareTopMeter, TopShapes
from dualmic.meters.transients import Transient, TransientMeter
from dualmic.meters.width import Width, WidthMeter
from dualmic.tiles import BadSamples, Floats, Mask, Span, spans

Progress = Callable[[float], None]

AHEAD = 1  # spans that one group of meters may be ahead of another; our choice


class Meter(Protocol):
    """What every meter is: fed span after span, asked at the end."""

    def push(self, span: Span) -> None:
        """Take in the next span."""


@dataclass(frozen=True)
class OtherChannels:
    """What is measured on channels beside the two microphones; ``rows`` are channels from 0."""

    rows: tuple[int, ...]
    levels: Levels
    tops: ClippedTops
    spectra: Spectra


@dataclass(frozen=True)
class Measured:
    """Everything the meters found. Row 0 is the interviewer's microphone, row 1 the subject's."""

    rate_hz: int
    frames: int
    is_float: bool
    loudness: LoudnessCells
    levels: Levels
    peaks: TruePeaks
    spectra: Spectra
    low: LowSpectra
    tops: ClippedTops
    shapes: TopShapes
    held: list[list[HeldRun]]
    transients: list[Transient]
    width: Width
    bad: BadSamples
    others: OtherChannels | None

    @property
    def duration_s(self) -> float:
        """Length of the take."""
        return self.frames / self.rate_hz

    @property
    def cells(self) -> int:
        """Number of whole 10 ms cells."""
        return self.levels.power.shape[1]

    def held_cells(self) -> Mask:
        """Return the cells in which a microphone's sound is held or gone, ``(2, cells)``."""
        cells = self.spectra.bands_db.shape[1]
        spans = [[(run.start_s, run.end_s) for run in runs] for runs in self.held]
        return np.stack([cells_of(each, cells) for each in spans])


def measure(
    blocks: Iterable[Floats],
    rate_hz: int,
    channels: int,
    mics: tuple[int, int] = (0, 1),
    *,
    bit_depth: int | None = None,
    is_float: bool = False,
    progress: Progress | None = None,
    threads: int = 2,
) -> Measured:
    """Measure a take in one pass.

    Args:
        blocks: arrays ``(frames, channels)`` of any length.
        rate_hz: sample rate.
        channels: how many channels the blocks have.
        mics: channels (from 0) of the interviewer's and the subject's microphone.
        bit_depth: resolution of the file's samples, None for float and lossy sound.
        is_float: float samples have no ceiling at full scale.
        progress: called with the seconds done so far.
        threads: the meters share one or two.

    """
    _keep_freed_memory()
    rest = tuple(c for c in range(channels) if c not in mics)
    bad = BadSamples(np.zeros(channels, np.int64))
    loudness, levels = LoudnessMeter(rate_hz, 2), LevelMeter(rate_hz, 2)
    peaks, spectrum = TruePeakMeter(rate_hz, 2), SpectrumMeter(rate_hz, 2, (0, 1))
    is_exact = is_float or bit_depth is not None
    hum, held = HumMeter(rate_hz, 2), ContinuityMeter(rate_hz, 2, is_lossy=not is_exact)
    clipping, width = ClippingMeter(rate_hz, 2, bit_depth), WidthMeter(rate_hz)
    short, square = TransientMeter(rate_hz), SquareTopMeter(rate_hz, 2, is_exact=is_exact)
    other_levels = LevelMeter(rate_hz, len(rest))
    other_clipping = ClippingMeter(rate_hz, len(rest), bit_depth)
    other_spectrum = SpectrumMeter(rate_hz, len(rest), None)
    # Two groups of about equal cost, one a thread.
    groups: list[list[Meter]] = [
        [loudness, peaks, levels, clipping, width, short],
        [spectrum, hum, held, square],
    ]
    other_meters: list[Meter] = [other_levels, other_clipping, other_spectrum] if rest else []
    frames = 0
    rows = list(mics)
    if other_meters:
        groups.append(other_meters)
    with ExitStack() as stack:
        # Each group has a thread of its own, or all of them one: its spans stay in order.
        pools = [stack.enter_context(ThreadPoolExecutor(1)) for _ in groups[:threads]]
        waiting: deque[list[Future[None]]] = deque()
        for span in spans(blocks, rate_hz, bad):
            pair = span if channels == 2 and rows == [0, 1] else span.only(rows)
            parts = [pair, pair] + ([span.only(list(rest))] if other_meters else [])
            jobs = [
                pools[k % len(pools)].submit(_push, group, part)
                for k, (group, part) in enumerate(zip(groups, parts, strict=True))
            ]
            waiting.append(jobs)
            if len(waiting) > AHEAD:
                _finish(waiting.popleft())
            frames += span.frames
            if progress is not None:
                progress(frames / rate_hz)
        while waiting:
            _finish(waiting.popleft())
    return Measured(
        rate_hz=rate_hz,
        frames=frames,
        is_float=is_float,
        loudness=loudness.result(),
        levels=levels.result(),
        peaks=peaks.result(),
        spectra=spectrum.result(),
        low=hum.result(),
        tops=clipping.result(),
        shapes=square.result(),
        held=held.result(),
        transients=short.result(),
        width=width.result(),
        bad=bad,
        others=OtherChannels(
            rest, other_levels.result(), other_clipping.result(), other_spectrum.result()
        )
        if rest
        else None,
    )


def _finish(jobs: Sequence[Future[None]]) -> None:
    """Wait for the meters to be done with a span; what went wrong in one is raised here."""
    for job in jobs:
        job.result()


def _push(group: list[Meter], span: Span) -> None:
    for meter in group:
        meter.push(span)


def _keep_freed_memory() -> None:
    """Let the C library keep what is freed instead of handing it back to the system every time.

    glibc raises the size up to which it keeps memory when a large piece is freed once. Meters
    free and ask for the same few hundred kilobytes thousands of times: without this, half of all
    processor time goes into fresh pages. Elsewhere it does nothing.
    """
    del_me = np.empty(1 << 24, np.uint8)
    del del_me
