"""Mains and generator hum: a steady tone of 45 to 65 Hz and its multiples.

The low end is brought down to about 2 kHz by averaging neighbouring samples and cut into frames of
2 s every second. Of every ten frames the third-lowest power of each bin is kept: voices come and
go within ten seconds, a hum stays, so that what remains is hum and steady noise, speech or not.
The averaging's own droop (a sinc) is undone at the lines found.

The fundamental is the frequency in 45 to 65 Hz whose multiples stand highest together above the
noise beside them; each line's frequency is read between bins by the ratio of its two largest.
"""

import math
from dataclasses import dataclass

import numpy as np

from dualmic.meters.fft import rfft
from dualmic.meters.hum_edges import edge_s
from dualmic.meters.tones import ToneEdge, ToneWatch
from dualmic.stack import Stack
from dualmic.tiles import Floats, Span

FRAME_S = 2
GROUP = 10  # frames judged together; one value of the hum every 10 s
_KEPT = 2  # index of the kept order statistic
LOW_HZ, HIGH_HZ = 40.0, 710.0
FUNDAMENTAL_HZ = (45.0, 65.0)
HARMONICS = 10
# Our choice: a line is one if it stands 10 dB over the median of the bins around it: the third
# lowest of ten frames of noise alone exceeds that in less than one bin of a thousand.
LINE_DB = 10.0
# Our choice: the ear hears a low tone against the noise within about 100 Hz of it (from memory:
# Zwicker's critical bands), which holds 20 dB more than one bin of the steady spectrum under its
# window; a line counts as heard a little over that.
HEARD_LINE_DB = 24.0
# Large grids stay within 0.2 Hz of their frequency but for rare minutes (from memory).
MAINS_NEAR_HZ = 0.2
# Our choice: two hums are about as strong if one's lines stand this much as high, in dB, in all.
MAINS_SHARE = 0.7
# Lines at every second or third multiple only are the first ones of a higher tone, as of a fan; of
# the grids' own frequencies rectifiers make such. Small grids and islands stray further than large.
GRIDS_HZ, GRID_NEAR_HZ = (50.0, 60.0), 0.5
_LEAST_POWER = 1e-12  # -120 dBFS: below any converter, so rounding, not a hum
_LINE_BINS = 3  # a Hann line spreads over +-2 bins, one more where it lies between


@dataclass(frozen=True)
class HumEdge:
    """A moment at which a hum comes to a channel, or goes."""

    channel: int
    at_s: float
    comes: bool


@dataclass(frozen=True)
class LowSpectra:
    """Steady low-frequency powers: ``(channels, groups, bins)``, and the frequency of each bin.

    ``power`` is normalised so that a line's bins add up to its mean square. ``edges`` tell finer
    when a hum comes or goes between two groups, ``tones`` when a machine's do in both channels.
    """

    bins_hz: np.ndarray
    power: np.ndarray
    edges: tuple[HumEdge, ...] = ()
    tones: tuple[ToneEdge, ...] = ()


@dataclass(frozen=True)
class HumLines:
    """A hum: lines as (frequency_hz, mean square), the noise around them, standing above it."""

    fundamental_hz: float
    lines: list[tuple[float, float]]
    over_noise_db: list[float]

    @property
    def power(self) -> float:
        """Mean square of all lines together."""
        return float(sum(power for _, power in self.lines))


class HumMeter:
    """Feeds on spans, keeps the steady low-frequency spectrum. Memory: 2 MB an hour a channel."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        """Choose how many samples to average: the largest divisor that leaves 2 kHz or more."""
        self._step = max(d for d in range(1, rate_hz // 2000 + 1) if rate_hz % d == 0)
        self._rate_hz = rate_hz // self._step
        self._average = np.full(self._step, 1 / self._step, np.float32)
        self._past = np.zeros((channels, self._rate_hz), np.float32)
        size = FRAME_S * self._rate_hz
        self._window = np.hanning(size + 1)[:-1].astype(np.float32)
        bins_hz = np.arange(size // 2 + 1) / FRAME_S
        used = np.flatnonzero((bins_hz >= LOW_HZ) & (bins_hz <= HIGH_HZ))
        self._used = slice(int(used[0]), int(used[-1]) + 1)
        self._bins_hz = bins_hz[self._used]
        droop = np.sinc(self._bins_hz * self._step / rate_hz)
        self._scale = 2.0 / (size * float(np.sum(self._window.astype(float) ** 2))) / droop**2
        self._frames: list[np.ndarray] = []
        self._groups = Stack()
        # The seconds of this group and of the one before, and the hums of that one.
        self._seconds: list[np.ndarray] = []
        self._hums: list[HumLines | None] = [None] * channels
        self._edges: list[HumEdge] = []
        self._read = 0
        self._tones = ToneWatch(self._bins_hz, self._rate_hz) if channels == 2 else None

    def push(self, span: Span) -> None:
        """Take in the next span; the rest of a second at the end is left out."""
        whole = span.frames // span.rate_hz
        cut = span.samples[:, : whole * span.rate_hz].reshape(len(self._past), -1, self._step)
        low = (cut @ self._average).reshape(len(cut), whole, self._rate_hz)
        before = np.concatenate([self._past[:, None], low], axis=1)[:, :whole]
        frames = np.concatenate([before, low], axis=2) * self._window
        bins = rfft(frames)[..., self._used]
        power = (bins.real**2 + bins.imag**2) * self._scale
        # A frame of digital silence says nothing of what the microphone hears.
        power = np.where(power.sum(axis=2, keepdims=True) > 1e-14, power, np.inf)
        for second in range(whole):
            self._take(power[:, second], low[:, second])

    def _take(self, power: np.ndarray, low: Floats) -> None:
        """Take in the next second, brought down, and the frame that ends with it."""
        if self._read:  # else there is no second before it
            self._frames.append(power)
            if self._tones is not None:
                self._tones.push(power, low)
        self._past = low
        self._read += 1
        self._seconds.append(low)
        if len(self._frames) == GROUP:
            self._close()

    def _close(self) -> None:
        steady = _steady(self._frames)
        self._groups.add(steady[:, None])
        self._frames = []
        hums = self._heard(steady)
        self._edges += self._between(hums, GROUP)
        self._hums = hums
        self._seconds = self._seconds[-GROUP - 1 :]

    def _heard(self, powers: np.ndarray) -> list[HumLines | None]:
        """Return each channel's hum in one group, if it may be heard."""
        found = [find_hum(self._bins_hz, power) for power in powers]
        return [
            h if h is not None and max(h.over_noise_db) >= HEARD_LINE_DB else None for h in found
        ]

    def _between(self, hums: list[HumLines | None], now_s: int) -> list[HumEdge]:
        """Return when hums come or go that only one of the last two groups holds.

        The later one is the last ``now_s`` seconds of what was read.
        """
        found: list[HumEdge] = []
        for channel, (before, now) in enumerate(zip(self._hums, hums, strict=True)):
            if before is not None and now is not None:
                continue
            size = sum(second.shape[1] for second in self._seconds)
            middle = size - now_s * self._rate_hz
            if now is not None:
                # In the take's first group a hum may have come, too: then its end is sure.
                first = len(self._seconds) <= GROUP + 1
                known = slice(size // 2 if first else middle, size)
                found += self._edge(channel, now, known, comes=True, alone=first)
            if before is not None:
                found += self._edge(channel, before, slice(0, middle), comes=False)
        return found

    def _edge(
        self, channel: int, hum: HumLines, known: slice, *, comes: bool, alone: bool = False
    ) -> list[HumEdge]:
        samples = np.concatenate([second[channel] for second in self._seconds])
        lines_hz = [frequency_hz for frequency_hz, _ in hum.lines]
        at_s = edge_s(samples, self._rate_hz, lines_hz, comes=comes, known=known, alone=alone)
        start_s = self._read - len(self._seconds)
        return [] if at_s is None else [HumEdge(channel, start_s + at_s, comes)]

    def result(self) -> LowSpectra:
        """Return the steady spectra so far; fewer than ten frames at the end make a group if 4."""
        if len(self._frames) >= 4:
            last = _steady(self._frames)
            self._groups.add(last[:, None])
            hums = self._heard(last)
            self._edges += self._between(hums, len(self._frames))
            self._frames, self._hums = [], hums
        power = self._groups.joined((len(self._past), 0, len(self._bins_hz)), np.float32)
        edges = list(self._edges)
        for channel, hum in enumerate(self._hums):
            if hum is not None:
                half = len(self._seconds) * self._rate_hz // 2
                edges += self._edge(channel, hum, slice(0, half), comes=False, alone=True)
        tones = self._tones.result() if self._tones is not None else ()
        return LowSpectra(self._bins_hz, power, tuple(edges), tones)


def _steady(frames: list[np.ndarray]) -> np.ndarray:
    """Return the third-lowest power of each bin (lower for few frames), silent frames left out."""
    kept = min(_KEPT, (len(frames) - 1) // 3)
    power = np.partition(np.stack(frames), kept, axis=0)[kept]
    return np.where(np.isfinite(power), power, 0.0).astype(np.float32)


def find_hum(
    bins_hz: np.ndarray, power: np.ndarray, mains_hz: float | None = None
) -> HumLines | None:
    """Look for a hum in one steady spectrum ``(bins,)``; None where no line stands out.

    ``mains_hz`` is looked for first: of two hums about as strong it is the one, and a single line
    at its third or fourth multiple is enough. Lines and fundamental are measured all the same.
    """
    if not power.any():
        return None
    step_hz = bins_hz[1] - bins_hz[0]
    noise = _noise_around(power)
    over_db = 10 * np.log10(np.maximum(power, 1e-20) / np.maximum(noise, 1e-20))
    peaks = np.flatnonzero((power[1:-1] >= power[:-2]) & (power[1:-1] > power[2:])) + 1
    peaks = peaks[(over_db[peaks] >= LINE_DB) & (power[peaks] > _LEAST_POWER)]
    if not len(peaks):
        return None
    lines = {int(p): _line(bins_hz, power, noise, int(p), step_hz) for p in peaks}
    best: tuple[float, dict[int, int]] | None = None
    mains: tuple[float, dict[int, int]] | None = None
    for peak, (frequency_hz, _) in lines.items():
        for multiple in range(1, 5):
            f0 = frequency_hz / multiple
            if not FUNDAMENTAL_HZ[0] <= f0 <= FUNDAMENTAL_HZ[1]:
                continue
            found = _comb(lines, f0, step_hz)
            score = float(sum(over_db[p] for p in found.values()))
            if peak not in found.values():
                continue
            if best is None or score > best[0]:
                best = (score, found)
            if mains_hz is not None and is_mains(f0, mains_hz) and (not mains or score > mains[0]):
                mains = (score, found)
    if mains is not None and best is not None and mains[0] >= MAINS_SHARE * best[0]:
        found = mains[1]
    elif best is not None and (1 in best[1] or 2 in best[1] or len(best[1]) >= 3):
        found = best[1]
        if not _may_be_electric(found, lines):
            return None
    else:
        return None
    weights = np.array([lines[p][1] for p in found.values()])
    multiples = np.array(list(found))
    read = np.array([lines[p][0] for p in found.values()])
    fundamental = float(np.sum(weights * multiples * read) / np.sum(weights * multiples**2))
    return HumLines(
        fundamental,
        [lines[p] for p in found.values()],
        [float(over_db[p]) for p in found.values()],
    )


def _may_be_electric(found: dict[int, int], lines: dict[int, tuple[float, float]]) -> bool:
    """Whether the lines are a fundamental's of 45 to 65 Hz, and not those of a higher tone."""
    if math.gcd(*found) == 1:
        return True
    multiple, peak = max(found.items())
    return any(abs(lines[peak][0] / multiple - grid) <= GRID_NEAR_HZ for grid in GRIDS_HZ)


def is_mains(frequency_hz: float, mains_hz: float) -> bool:
    """Whether a measured fundamental is that of the mains."""
    return abs(frequency_hz - mains_hz) <= MAINS_NEAR_HZ


def _comb(lines: dict[int, tuple[float, float]], f0: float, step_hz: float) -> dict[int, int]:
    found: dict[int, int] = {}
    for peak, (frequency_hz, power) in lines.items():
        multiple = round(frequency_hz / f0)
        near = abs(frequency_hz - multiple * f0) <= step_hz * 0.5
        if (
            1 <= multiple <= HARMONICS
            and near
            and (multiple not in found or power > lines[found[multiple]][1])
        ):
            found[multiple] = peak
    return dict(sorted(found.items()))


def _noise_around(power: np.ndarray, reach: int = 15) -> np.ndarray:
    padded = np.pad(power, reach, mode="reflect")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1)
    # The median over fifteen bins hardly changes from one to the next: every fourth is enough.
    at = np.arange(0, len(power), 4)
    middle = np.partition(windows[at], reach, axis=1)[:, reach]
    return np.interp(np.arange(len(power)), at, middle)


def _line(
    bins_hz: np.ndarray, power: np.ndarray, noise: np.ndarray, peak: int, step_hz: float
) -> tuple[float, float]:
    low, high = max(peak - _LINE_BINS, 0), min(peak + _LINE_BINS + 1, len(power))
    mean_square = float(np.maximum(power[low:high] - noise[peak], 0).sum())
    # Hann window: the ratio of the two largest bins gives the offset exactly for one tone.
    left, right = power[max(peak - 1, 0)], power[min(peak + 1, len(power) - 1)]
    side = 1 if right >= left else -1
    ratio = np.sqrt(max(left, right) / power[peak])
    offset = side * np.clip((2 * ratio - 1) / (ratio + 1), -0.5, 0.5)
    return float(bins_hz[peak] + offset * step_hz), mean_square
