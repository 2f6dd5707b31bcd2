"""When a machine's tones come to both microphones, or go.

A pump or a fridge is heard by its tones long before it lifts the level of a band: a line stands
twenty decibels over the noise in the half hertz it fills and is nothing in a band of 200 Hz full of
traffic. Every five seconds the steady spectrum of the last ten, the third-lowest power of ten
frames, is held against that of the ten before. Voices come and go within ten seconds, so a line
that stands in the one and is missing in the other, in both microphones, has come or gone between.

The moment is where the narrow bands around all lines go over from noise to the level the lines
have, by likelihood; voices over them say nothing.
"""

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from dualmic.tiles import Floats, Powers

FRAMES, EVERY = 10, 5  # frames judged together, and how often
# Our choices. In even noise a tone is heard from 4 dB under the power within about 100 Hz of it on
# (from memory: Zwicker's critical bands), which is 17 dB over three bins of the steady spectrum;
# noise that swells, as traffic does, leaves it free sooner.
LINE_DB, FAINTER_DB = 14.0, 8.0  # in the microphone that hears it better, and in the other
UNEQUAL_DB = 25.0  # between the microphones: no machine in the room, but a cable's hum that leaks
LOW_HZ = 55.0  # under that rumble has no even noise that a line could stand over
RISE_DB = 8.0  # over the same bins ten seconds before; of noise, a bin in ten thousand shows it
MOST_LINES, LINE_BINS = 4, 3
WINDOW_S, STEP_S = 0.4, 0.05
CLEAR_DB = 5.0  # over the noise in the window of that length, else its moment is not known
SURE_SHARE = 0.4  # of the sound at either end of two groups, in which the tones are there or gone
# Of a line's level; by how much a voice lies over it; share of windows without one.
UNREST_DB, VOICE_DB, FREE = 2.5, 40.0, 0.4
NEVER = 3e-4  # density, per dB, of what neither a line nor a voice explains
CLEAREST, ALIKE, LIKELY = 3.0, 6.0, 1.5  # nepers that a window says at most; windows that are one
MARGIN_S = 1.0  # of sound at either end
SAME_S = 2.0  # the same tones found again five seconds later
_DB = 10 / np.log(10)
_LEAST_POWER = 1e-12  # -120 dBFS: below any converter
_REACH = 15  # bins on either side, for the noise around


@dataclass(frozen=True)
class ToneEdge:
    """Tones come to both microphones, or go, at ``at_s``, surely from ``first_s`` to ``last_s``.

    ``over_db`` is how far the clearest of them stands over the noise around it in the microphone
    that hears it less.
    """

    at_s: float
    first_s: float
    last_s: float
    comes: bool
    tones_hz: tuple[float, ...]
    over_db: float


class ToneWatch:
    """Feeds on frames of 2 s, one a second, of two channels; keeps what comes or goes.

    Memory: 21 s of samples brought down, and a dozen frames.
    """

    def __init__(self, bins_hz: np.ndarray, rate_hz: int) -> None:
        """``bins_hz`` are the bins of the frames, ``rate_hz`` the rate of the samples."""
        self._used = slice(int(np.searchsorted(bins_hz, LOW_HZ)), None)
        self._bins_hz, self._rate_hz = bins_hz[self._used], rate_hz
        self._frames: deque[Floats] = deque(maxlen=FRAMES)
        # What was steady five seconds ago and longer; of each, when it was judged.
        self._steady: deque[tuple[int, Floats]] = deque(maxlen=FRAMES // EVERY + 1)
        self._seconds: deque[Floats] = deque(maxlen=2 * FRAMES + 1)
        self._read = 0
        self._edges: list[ToneEdge] = []

    def push(self, power: np.ndarray, low: Floats) -> None:
        """Take in the frame that ends with a second, ``(2, bins)``, and that second's samples."""
        self._frames.append(_three(power[:, self._used]))
        self._seconds.append(low)
        self._read += 1
        if self._read % EVERY == 0 and len(self._frames) == FRAMES:
            self._steady.append((self._read, self._judged()))

    def result(self) -> tuple[ToneEdge, ...]:
        """Return what came or went so far."""
        if self._read % EVERY and len(self._frames) == FRAMES:
            self._judged()
        return tuple(self._edges)

    def _judged(self) -> Floats:
        """Hold the last ten frames against ten that lie before; return what of them is steady."""
        now = _third_lowest(self._frames)
        earlier = [steady for read, steady in self._steady if self._read - read >= FRAMES]
        if earlier:
            before = earlier[-1]
            if np.isfinite(before).all() and np.isfinite(now).all():  # no microphone was silent
                self._look(now, before, comes=True)
                self._look(before, now, comes=False)
        return now

    def _look(self, there: Floats, gone: Floats, *, comes: bool) -> None:
        """Date the lines that one steady spectrum holds and the other does not."""
        rise = _DB * np.log(np.maximum(there, 1e-20) / np.maximum(gone, 1e-20))
        at = np.flatnonzero((rise > RISE_DB).all(axis=0) & (there > _LEAST_POWER).all(axis=0))
        if not len(at):
            return
        over = _over_db(there, at)
        clear = (over.max(axis=0) >= LINE_DB) & (over.min(axis=0) >= FAINTER_DB)
        clear &= np.ptp(over, axis=0) <= UNEQUAL_DB
        lines: list[int] = []
        for line in sorted(np.flatnonzero(clear), key=lambda k: -float(over[:, k].sum())):
            apart = all(abs(at[line] - at[other]) > LINE_BINS for other in lines)
            if apart and len(lines) < MOST_LINES:
                lines.append(int(line))
        if not lines:
            return
        samples = np.concatenate(list(self._seconds), axis=1)
        tones_hz = tuple(float(self._bins_hz[at[k]]) for k in lines)
        found = _moment(samples, self._rate_hz, tones_hz, comes=comes)
        if found is None:
            return
        start_s = self._read + 1 - len(self._seconds)  # a frame begins a second before the first
        at_s, first_s, last_s = (start_s + each for each in found)
        if not any(e.comes == comes and abs(e.at_s - at_s) < SAME_S for e in self._edges):
            over_db = float(over[:, lines].min(axis=0).max())
            self._edges.append(ToneEdge(at_s, first_s, last_s, comes, tones_hz, over_db))


def _third_lowest(frames: Iterable[Floats]) -> Floats:
    """Return the third-lowest of each bin, without sorting."""
    low: list[np.ndarray] = [np.array(np.inf, np.float32)] * 3
    for frame in frames:
        middle = np.maximum(frame, low[1])
        low = [
            np.minimum(low[0], frame),
            np.minimum(low[1], np.maximum(frame, low[0])),
            np.minimum(low[2], middle),
        ]
    return np.asarray(low[2])


def _three(power: np.ndarray) -> Floats:
    """Return each bin with its neighbours: a line lies between two, and wanders."""
    total = power.astype(np.float32)
    total[:, 1:] += power[:, :-1]
    total[:, :-1] += power[:, 1:]
    return total


def _over_db(power: Floats, at: np.ndarray) -> Powers:
    """Return how far some bins stand over the median of those around them, ``(2, len(at))``."""
    padded = np.pad(power, ((0, 0), (_REACH, _REACH)), mode="reflect")
    near = padded[:, at[:, None] + np.arange(2 * _REACH + 1)]
    around = np.partition(near, _REACH, axis=2)[..., _REACH]
    return np.asarray(_DB * np.log(power[:, at] / np.maximum(around, 1e-20)), np.float64)


def _moment(
    samples: Floats, rate_hz: int, tones_hz: tuple[float, ...], *, comes: bool
) -> tuple[float, float, float] | None:
    """Return when tones come, or go, and how early and late; None where it does not show.

    They are there at one end of ``samples`` ``(2, frames)`` and gone at the other.
    """
    step, length = round(STEP_S * rate_hz), round(WINDOW_S * rate_hz)
    windows = np.lib.stride_tricks.sliding_window_view(samples, length, axis=1)[:, ::step]
    window = np.hanning(length + 2)[1:-1].astype(np.float32)
    turn = np.exp(-2j * np.pi * np.outer(np.arange(length), tones_hz) / rate_hz)
    bins = np.abs((windows * window) @ turn.astype(np.complex64)) ** 2
    level = _DB * np.log(np.moveaxis(bins, 2, 1).reshape(-1, bins.shape[1]) + 1e-20)
    count = level.shape[1]
    part = round(count * SURE_SHARE)
    first, last = level[:, :part], level[:, count - part :]
    there, gone = (last, first) if comes else (first, last)
    on, off = np.median(there, axis=1), np.median(gone, axis=1)
    # Where words lie over most of it without the tone, they do not over its quietest.
    use = on - np.percentile(gone, 25, axis=1) >= CLEAR_DB
    if not use.any():
        return None
    level, on, off = level[use], on[use, None], off[use, None]
    with_tone = FREE * np.exp(-0.5 * ((level - on) / UNREST_DB) ** 2) / (2.5 * UNREST_DB)
    with_tone += (1 - FREE) * np.exp(np.minimum(level - on, 0.0)) / VOICE_DB
    # Of noise alone, the power in one narrow band spreads exponentially.
    ratio = np.log(2) * np.exp((level - off) / _DB)
    without = FREE * ratio * np.exp(-ratio) / _DB
    without += (1 - FREE) * np.exp(np.minimum(level - off, 0.0)) / VOICE_DB
    says = np.log((with_tone + NEVER) / (without + NEVER))
    says = np.clip(says, -CLEAREST, CLEAREST).sum(axis=0) / ALIKE * (1 if comes else -1)
    total = np.concatenate([[0.0], np.cumsum(says)])
    edge = round(MARGIN_S / STEP_S)
    inner = total[edge : count - edge]
    at = int(np.argmin(inner))
    if at in (0, len(inner) - 1):
        return None
    likely = np.flatnonzero(inner < inner.min() + LIKELY)
    first_s = edge * STEP_S + (WINDOW_S - STEP_S) / 2
    at_s, early_s, late_s = (first_s + int(k) * STEP_S for k in (at, likely[0], likely[-1]))
    return at_s, early_s, late_s
