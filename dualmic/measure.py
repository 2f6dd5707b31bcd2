"""One pass over a take: every meter sees every span of it once.

The two microphones go to all meters; other channels of the recording (safety copies, unused
tracks) only to those that say whether one is a copy of a microphone.

Meters do not depend on each other, so two workers share them unless one is asked for, as where
other takes are measured beside it. A meter is handed the spans in order whoever pushes them
(``hands.py``), so results do not depend on timing.
"""

from collections.abc import Callable, Iterable
from contextlib import ExitStack
from dataclasses import dataclass

import numpy as np

from dualmic.hands import Group, hands_for
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
from dualmic.tiles import BadSamples, Floats, Mask, spans

Progress = Callable[[float], None]


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
    workers: int = 2,
    may_fork: bool = False,
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
        workers: one thread does everything, or two share it.
        may_fork: the second may be a copy of this process, where
            :func:`dualmic.forked.can_fork` says so.

    """
    _keep_freed_memory()
    rest = tuple(c for c in range(channels) if c not in mics)
    bad = BadSamples(np.zeros(channels, np.int64))
    is_exact = is_float or bit_depth is not None
    # Two groups of about equal cost: who hands out the spans has to read them, too.
    first: Group = {
        "loudness": LoudnessMeter(rate_hz, 2),
        "peaks": TruePeakMeter(rate_hz, 2),
        "levels": LevelMeter(rate_hz, 2),
        "tops": ClippingMeter(rate_hz, 2, bit_depth),
        "width": WidthMeter(rate_hz),
        "transients": TransientMeter(rate_hz),
        "held": ContinuityMeter(rate_hz, 2, is_lossy=not is_exact),
    }
    second: Group = {
        "spectra": SpectrumMeter(rate_hz, 2, (0, 1)),
        "low": HumMeter(rate_hz, 2),
        "shapes": SquareTopMeter(rate_hz, 2, is_exact=is_exact),
    }
    others: Group = {
        "levels": LevelMeter(rate_hz, len(rest)),
        "tops": ClippingMeter(rate_hz, len(rest), bit_depth),
        "spectra": SpectrumMeter(rate_hz, len(rest), None),
    }
    frames = 0
    rows = list(mics)
    with ExitStack() as stack:
        groups = [second, first, *([others] if rest else [])]
        hands = hands_for(groups, 2, rate_hz, workers=workers, may_fork=may_fork)
        for each in hands:
            stack.callback(each.close)
        for span in spans(blocks, rate_hz, bad):
            pair = span if channels == 2 and rows == [0, 1] else span.only(rows)
            parts = [pair, pair] + ([span.only(list(rest))] if rest else [])
            for each, part in zip(hands, parts, strict=True):
                each.push(part)
            frames += span.frames
            if progress is not None:
                progress(frames / rate_hz)
        # The caller's own first: the other worker may still be busy with the last spans.
        *of_others, of_first, of_second = [each.results() for each in reversed(hands)]
    return Measured(
        rate_hz=rate_hz,
        frames=frames,
        is_float=is_float,
        **of_first,
        **of_second,
        bad=bad,
        others=OtherChannels(rest, **of_others[0]) if rest else None,
    )


def _keep_freed_memory() -> None:
    """Let the C library keep what is freed instead of handing it back to the system every time.

    glibc raises the size up to which it keeps memory when a large piece is freed once. Meters
    free and ask for the same few hundred kilobytes thousands of times: without this, half of all
    processor time goes into fresh pages. Elsewhere it does nothing.
    """
    del_me = np.empty(1 << 24, np.uint8)
    del del_me
