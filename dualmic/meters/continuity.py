"""Continuity: where the sound vanishes or freezes: zeros, one held value, or a receiver's own hiss.

The meter lists runs of 5 ms or more; whether one is a dropout, a pack that mutes itself in pauses
or a dead channel is judged later, when it is known who speaks. A receiver that mutes does not
always give zeros: its hiss is left, far under the microphone's own background and reached within
5 ms, which no word, room or noise gate does (see ``faint.py``).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dualmic.meters.faint import FaintLevels
from dualmic.meters.flat_runs import flat_runs
from dualmic.tiles import Floats, Span

SHORTEST_S = 0.005
LONGEST_TOP_S = 0.05  # our choice: the lowest wind holds half a swing of 10 Hz at a ceiling
LAST_SHARE = 5  # a millisecond of the shortest run
# Our choices. Sound dies away through the last bits before a quiet recording, or one that was
# processed, falls silent: 5 ms of it span two steps of its own at most. What is torn from a word
# spans five and more even where its peaks lie 45 dB under full scale in 16 bits.
TORN_STEPS = 3.5
DYING_RUNS = 3  # so many show that this is how the recording falls silent
ANEW_S = 0.05  # our choice; hiss of less than a bit flickers sooner, and is one silence


@dataclass(frozen=True)
class HeldRun:
    """A stretch in which a channel holds one value (zero: digital silence), or hiss alone.

    ``value`` is NaN where a value off zero was held and dithered afterwards: to its last bits.
    ``before`` is the mean square distance from that value over the 5 ms before, 0.0 for hiss: how
    much was torn off. ``last`` is the same over the last millisecond: how much was left of it.
    ``steps`` is the root of ``before`` in units of the smallest distance there: sound that dies
    away into the last bit comes to one or two, loud sound to five and more. ``is_torn``: hiss that
    is as loud as the background, perhaps, and torn from loud sound at both ends.
    """

    start_s: float
    end_s: float
    value: float
    is_hiss: bool = False
    before: float = 0.0
    last: float = 0.0
    steps: float = math.inf
    is_torn: bool = False


def dies_away(runs: Sequence[HeldRun]) -> bool:
    """Whether a channel falls silent through its last bits: quiet or processed sound does."""
    ends_s = [-math.inf, *(run.end_s for run in runs)]
    anew = (run for run, end_s in zip(runs, ends_s, strict=False) if run.start_s - end_s > ANEW_S)
    return sum(run.steps < TORN_STEPS for run in anew) >= DYING_RUNS


_Torn = tuple[float, float, float]  # ``before``, ``last`` and ``steps`` of a run


class ContinuityMeter:
    """Feeds on spans, keeps the held runs of each channel."""

    def __init__(self, rate_hz: int, channels: int, *, is_lossy: bool = False) -> None:
        """Start with no run open."""
        self._rate_hz = rate_hz
        self._least = max(2, round(SHORTEST_S * rate_hz))
        self._past = 0  # frames before a span that are looked at once more
        self._last = np.zeros(channels, np.float32)
        self._runs: list[list[HeldRun]] = [[] for _ in range(channels)]
        # A run that reached the end of the last span: its first frame, and what was torn off.
        self._open: list[tuple[int, _Torn] | None] = [None] * channels
        self._frames = 0
        self._faint = FaintLevels(rate_hz, channels, is_lossy=is_lossy)

    def push(self, span: Span) -> None:
        """Take in the next span."""
        self._faint.push(span.samples)
        for channel, long in enumerate(span.since(self._past + self._least)):
            self._find(channel, long, self._frames - self._past)
        self._frames += span.frames
        self._last = span.samples[:, -1].copy()
        # One sample less than the shortest run: a run cut by the border is found whole next time.
        self._past = min(self._least - 1, self._frames)

    def _find(self, channel: int, long: Floats, first: int) -> None:
        """Look through ``long``, of which the row itself begins after the shortest run's length."""
        row = long[self._least :]
        open_from = self._open[channel]
        self._open[channel] = None
        if open_from is not None and not np.any(row != row[0]):
            self._open[channel] = open_from
            return
        # Every run of the shortest length holds one of these samples and its predecessor.
        probe = np.arange(0, len(row) - 1, max(self._least // 2, 1))
        near = probe[np.flatnonzero(row[probe] == row[probe + 1])]
        if not len(near) and open_from is None:
            return
        runs = flat_runs(row, 2)
        end = runs.start + runs.length
        kept = (runs.length >= self._least) | (runs.start == 0) | (end == len(row))
        for start, length, value in zip(
            runs.start[kept], runs.length[kept], runs.value[kept], strict=True
        ):
            if start == 0 and open_from is not None:
                from_frame, torn = open_from
            else:
                from_frame = first + int(start)
                torn = self._torn(long[start : start + self._least], float(value))
            to_frame = first + int(start + length)
            if start + length == len(row):
                if to_frame - from_frame >= self._least:
                    self._open[channel] = from_frame, torn
            elif to_frame - from_frame >= self._least:
                self._add(channel, (from_frame, to_frame), float(value), torn)

    def _torn(self, before: Floats, value: float) -> _Torn:
        square = np.square(before - value, dtype=np.float64)
        power, least = float(square.mean()), square[square > 0]
        last = float(square[-max(self._least // LAST_SHARE, 1) :].mean())
        return power, last, math.sqrt(power / float(least.min())) if len(least) else 0.0

    def _add(self, channel: int, frames: tuple[int, int], value: float, torn: _Torn) -> None:
        start_s, end_s = (frame / self._rate_hz for frame in frames)
        self._runs[channel].append(HeldRun(start_s, end_s, value, False, *torn))

    def result(self) -> list[list[HeldRun]]:
        """Return the held runs of each channel in order of time."""
        answer = [list(runs) for runs in self._runs]
        for channel, open_from in enumerate(self._open):
            if open_from is not None:
                value = float(self._last[channel])
                start_s, end_s = open_from[0] / self._rate_hz, self._frames / self._rate_hz
                answer[channel].append(HeldRun(start_s, end_s, value, False, *open_from[1]))
            spans = [(run.start_s, run.end_s) for run in answer[channel]]
            for faint in self._faint.stretches(channel, spans):
                value = math.nan if faint.is_held else 0.0
                hiss = not faint.is_held
                run = HeldRun(faint.start_s, faint.end_s, value, hiss, is_torn=faint.is_torn)
                answer[channel].append(run)
            answer[channel].sort(key=lambda run: run.start_s)
        return answer
