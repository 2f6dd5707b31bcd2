"""True peak to ITU-R BS.1770-5 annex 2, sixteen-fold oversampled where the maximum can lie.

Oversampling everything 16x costs more than all other meters together, and nearly all of it is
wasted. An interpolated value is y = sum h[i] x[i] over ``TAPS`` samples with the taps of one phase,
which add up to 1. Two bounds hold for it:

    |y| <= sum |h[i]| |x[i]| <= H max |x|            H: largest sum of |h| over the phases
    y = x[c] + sum g[i] (x[i+1] - x[i])              g: sums of the taps beyond each step, c: centre
    |y| <= max |x| + G max |x[i+1] - x[i]|           G: largest sum of |g| over the phases

The first is tight for hiss, the second for voices, whose samples differ little from one to the
next. A stretch for which the smaller bound, filter neighbours included, stays under the maximum so
far cannot hold a new maximum and is left out: 10 ms by their largest sample, then groups of windows
by both bounds. The answer equals that of oversampling the whole take.

References:
    ITU-R BS.1770-5 (2023), annex 2 (4x at least; attachment 1 on the error of finite oversampling).

"""

from dataclasses import dataclass

import numpy as np

from dualmic.tiles import Floats, Indices, Powers, Span, cell_edges

OVERSAMPLING = 16
TAPS = 48  # a phase: flat within 0.01 dB to 0.45 of the sample rate
_KAISER_BETA = 7.0  # our choice: stop band under -70 dB
_HALF = TAPS // 2
# Our choices, without influence on the result: windows judged together, and how many such groups
# are oversampled at once (enough for the matrix product, too few for it to start threads).
_GROUP = 16
_TOGETHER = 32
_SEEN = _GROUP + TAPS - 1  # samples that the windows of a group see


def interpolation_taps() -> Floats:
    """Return the ``(OVERSAMPLING, TAPS)`` taps; phase p reads p/16 of a sample later."""
    fraction = np.arange(OVERSAMPLING)[:, None] / OVERSAMPLING
    at = np.arange(TAPS)[None, :] - (_HALF - 1) - fraction
    window = np.i0(_KAISER_BETA * np.sqrt(np.maximum(1 - (at / _HALF) ** 2, 0)))
    taps = np.sinc(at) * window / np.i0(_KAISER_BETA)
    return (taps / taps.sum(axis=1, keepdims=True)).astype(np.float32)


def bounds(taps: Floats) -> tuple[float, float]:
    """Return H and G of the module's text, each with a margin for float32 rounding."""
    wide = taps.astype(np.float64)
    beyond = wide.sum(axis=1, keepdims=True) - np.cumsum(wide, axis=1)
    # Steps before the centre count from the other side: x[c] minus the taps up to them.
    beyond[:, : _HALF - 1] -= 1
    return (
        float(np.abs(wide).sum(axis=1).max()) * (1 + 1e-5),
        float(np.abs(beyond[:, :-1]).sum(axis=1).max()) * (1 + 1e-5),
    )


@dataclass(frozen=True)
class TruePeaks:
    """Largest interpolated magnitude of each channel and the frame (with fraction) it lies at."""

    true_peak: Powers
    frame: Powers


class TruePeakMeter:
    """Feeds on spans, keeps the largest interpolated value of each channel."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        """Start with silence before the take."""
        self._taps = interpolation_taps()
        self._size_bound, self._step_bound = bounds(self._taps)
        # All interpolated values of a group are one product of the samples it sees.
        spread = np.zeros((_SEEN, _GROUP, OVERSAMPLING), np.float32)
        for frame in range(_GROUP):
            spread[frame : frame + TAPS, frame] = self._taps.T
        self._spread = spread.reshape(_SEEN, _GROUP * OVERSAMPLING)
        self._edges = cell_edges(rate_hz)
        widths = np.diff(self._edges)
        self._groups = -(-int(widths.max()) // _GROUP)  # in a cell
        self._back = -(-(TAPS - 1) // int(widths.min()))  # cells before its own that a window sees
        self._past = np.zeros((channels, TAPS - 1), np.float32)
        self._top = np.zeros(channels)
        self._top_frame = np.zeros(channels)
        self._frames = 0

    def push(self, span: Span) -> None:
        """Take in the next span; what needs later samples waits for the next call."""
        past = np.abs(self._past).max(axis=1, keepdims=True)
        tops = np.concatenate([past] * self._back + [span.tops], axis=1)
        reach = span.tops
        for first in range(self._back):
            reach = np.maximum(reach, tops[:, first : first + reach.shape[1]])
        for channel, near in enumerate(self._size_bound * reach > self._top[:, None]):
            if near.any():
                self._look(channel, span.samples[channel], self._edges[np.flatnonzero(near)])
        kept = span.samples[:, 1 - TAPS :]
        self._past = np.concatenate([self._past[:, kept.shape[1] :], kept], axis=1)
        self._frames += span.frames

    def result(self) -> TruePeaks:
        """Return the true peaks, the take followed by silence."""
        state = self._top.copy(), self._top_frame.copy()
        starts = np.arange(0, TAPS - 1, self._groups * _GROUP)
        for channel in range(len(self._past)):
            self._look(channel, np.zeros(TAPS - 1, np.float32), starts)
        answer = TruePeaks(self._top.copy(), self._top_frame.copy())
        self._top, self._top_frame = state
        return answer

    def _look(self, channel: int, samples: Floats, starts: Indices) -> None:
        """Look through the windows of a cell's length that end from each of ``starts`` on."""
        size = self._groups * _GROUP + TAPS
        row = np.concatenate([self._past[channel], samples, np.zeros(size, np.float32)])
        sliding = np.lib.stride_tricks.sliding_window_view
        long = sliding(row, size)[starts]
        value, step = np.abs(long), np.zeros_like(long)
        np.abs(long[:, 1:] - long[:, :-1], out=step[:, :-1])
        rising = self._bound(value.max(axis=1), step.max(axis=1)) > self._top[channel]
        if not rising.any():
            return
        reach = self._bound(_reach(value[rising]), _reach(step[rising])).reshape(-1)
        at = (starts[rising, None] + np.arange(self._groups) * _GROUP).reshape(-1)
        order = np.argsort(-reach, kind="stable")
        order = order[reach[order] > self._top[channel]]
        seen = sliding(row, _SEEN)
        taken = 1  # the likeliest group alone: it raises the maximum for the others
        while len(order) and reach[order[0]] > self._top[channel]:
            self._oversample(channel, seen, at[order[:taken]], len(samples))
            order, taken = order[taken:], _TOGETHER

    def _bound(self, size: np.ndarray, step: np.ndarray) -> np.ndarray:
        """Return how high an interpolated value can be among such samples and steps."""
        return np.minimum(self._size_bound * size, size * 1.00001 + self._step_bound * step)

    def _oversample(self, channel: int, seen: Floats, at: Indices, windows: int) -> None:
        size = seen[at] @ self._spread
        np.abs(size, out=size)
        # Windows that run over the end wait for the samples to come.
        waiting = at[:, None] + np.arange(_GROUP) >= windows
        if waiting.any():
            size.reshape(len(at), _GROUP, OVERSAMPLING)[waiting] = 0
        top = int(size.argmax())
        value = float(size.flat[top])
        if value > self._top[channel]:
            self._top[channel] = value
            group, inside = divmod(top, _GROUP * OVERSAMPLING)
            first = self._frames - (TAPS - 1) + int(at[group])
            self._top_frame[channel] = first + inside / OVERSAMPLING + _HALF - 1


def _reach(values: Floats) -> Floats:
    """Return the largest value that the windows starting in each group of a row can see."""
    # Halves against each other: many short rows cost more by a reduction.
    own = values.reshape(len(values), -1, _GROUP)
    while own.shape[2] > 1:
        half = own.shape[2] // 2
        own = np.maximum(own[:, :, :half], own[:, :, half:])
    groups = own[:, :, 0]
    count = groups.shape[1] - TAPS // _GROUP
    reach = groups[:, :count]
    for later in range(1, TAPS // _GROUP + 1):
        reach = np.maximum(reach, groups[:, later : later + count])
    return reach
