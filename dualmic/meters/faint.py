"""Where a channel falls at once to far less than its own background: a receiver that mutes to hiss.

The level about the mean (so that no offset counts) over 5 ms is kept every millisecond, from a
sixteenth of the samples or fewer: hiss fills the whole band. A stretch counts where that level lies
well under the channel's background throughout, is rough as hiss is (the crest of a hum is smooth),
and stood far above it just before and just after.
"""

from collections.abc import Sequence

import numpy as np

from dualmic.meters.masks import bridged, runs_of
from dualmic.tiles import Floats, Mask, Stack

PER_S = 1000
WINDOW_MS = 5
# 15 samples in 5 ms are enough to read a hiss to 2 dB. (our choice)
SAMPLES_PER_S = 3_000
STEP_DB = 1.2  # seven bits hold 152 dB
SILENT = 127
ROUGH = 128  # the eighth bit
# Our choice: of white hiss neighbours differ by twice its power, of a tone below 1 kHz by a tenth.
ROUGH_SHARE = 0.5
FAR_FROM_ZERO = 0.06  # our choice: a clipped top, no offset of a converter
# Our choices: real mutes lie 20 dB and more under the background; over 5 ms a background of low
# frequencies reads up to 7 dB less than its mean.
UNDER_DB, EDGE_DB = 12.0, 13.0
BRIDGE_MS = 4  # chance lifts a few windows of a hiss
# Between two swings of a low rumble it is quiet for some milliseconds, too: there, the fall has to
# be one from speech.
SHORT_MS, SHORT_EDGE_DB = 15, 22.0
BACKGROUND_PERCENTILE, FIRST_PERCENTILE = 10.0, 25.0
BESIDE_MS = 12
AT_END_S = 0.15  # what fades in or out at the ends of a file, coders' padding with it
LONGEST_SHARE = 0.5  # of what is no silence: then that is how the microphone sounds


class FaintLevels:
    """Feeds on samples, keeps one byte a millisecond and channel: 3.6 MB an hour."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        """Choose which samples to look at."""
        edges = np.round(np.arange(PER_S) * rate_hz / PER_S).astype(np.int64)
        self._width = max(rate_hz // PER_S, 1)
        self._stride = max(rate_hz // SAMPLES_PER_S, 1)
        self._at = edges[:, None] + np.arange(0, self._width, self._stride)
        self._even = rate_hz % PER_S == 0
        self._per_ms = self._at.shape[1]
        self._past = np.zeros((3, channels, 0))
        self._zero: Floats | None = None
        self._levels = Stack()

    def push(self, samples: Floats) -> None:
        """Take in the next second ``(channels, frames)``."""
        if self._zero is None:  # near enough to any offset for single precision
            self._zero = samples.mean(axis=1)[:, None, None]
        sums = np.concatenate([self._past, self._sums(samples, self._zero)], axis=2)
        self._past = sums[:, :, -(WINDOW_MS - 1) :]
        if sums.shape[2] < WINDOW_MS:
            return
        total = np.cumsum(np.pad(sums, ((0, 0), (0, 0), (1, 0))), axis=2)
        mean, square, rough = (total[:, :, WINDOW_MS:] - total[:, :, :-WINDOW_MS]) / (
            WINDOW_MS * self._per_ms
        )
        power = np.maximum(square - mean**2, 1e-16)
        steps = np.clip(-10 / STEP_DB * np.log10(power), 0, SILENT).astype(np.uint8)
        steps[(rough > ROUGH_SHARE * power) & (np.abs(mean) < FAR_FROM_ZERO)] += ROUGH
        self._levels.add(steps)

    def _sums(self, samples: Floats, zero: Floats) -> np.ndarray:
        """Return sums of samples, squares and squared steps, ``(3, channels, ms)``."""
        channels, frames = samples.shape
        if self._even and frames == PER_S * self._width:
            picked = samples.reshape(channels, PER_S, self._width)[:, :, :: self._stride]
        else:
            picked = samples[:, self._at[self._at[:, -1] < frames]]
        picked = picked - zero
        step = picked[:, :, 1:] - picked[:, :, :-1]
        ones = np.ones(self._per_ms, np.float32)
        return np.stack([picked @ ones, (picked * picked) @ ones, (step * step) @ ones[1:]])

    def stretches(
        self, channel: int, held: Sequence[tuple[float, float]]
    ) -> list[tuple[float, float]]:
        """Return (start_s, end_s) of each stretch of hiss; ``held`` are runs already known."""
        kept = self._levels.joined((len(self._past[0]), 0), np.uint8)[channel]
        steps, rough = kept % ROUGH, kept >= ROUGH
        live = steps < SILENT
        for start_s, end_s in held:
            live[max(int(start_s * PER_S) - 10, 0) : int(end_s * PER_S) + 10] = False
        if live.sum() < PER_S:
            return []
        usual = np.percentile(steps[live], 100 - FIRST_PERCENTILE)
        found = self._below(steps, live & rough, float(usual))
        rest = live.copy()
        for start, end in found:
            rest[max(start - WINDOW_MS, 0) : end + WINDOW_MS] = False
        if rest.sum() < LONGEST_SHARE * live.sum():
            return []
        background = float(np.percentile(steps[rest], 100 - BACKGROUND_PERCENTILE))
        # Window k covers the milliseconds k to k + 4.
        return [
            (start / PER_S, (end + WINDOW_MS - 1) / PER_S)
            for start, end in self._below(steps, live & rough, background)
        ]

    def _below(self, steps: np.ndarray, live: Mask, background: float) -> list[tuple[int, int]]:
        """Return the windows (first, past the last) far under ``background`` with steep ends."""
        low = bridged(live & (steps >= background + UNDER_DB / STEP_DB), BRIDGE_MS)
        found = []
        ends = round(AT_END_S * PER_S)
        for start, end in zip(*(edge.tolist() for edge in runs_of(low)), strict=True):
            if start < ends or end > len(steps) - ends:
                continue
            first = np.median(steps[start:end][:WINDOW_MS])
            last = np.median(steps[start:end][-WINDOW_MS:])
            before = steps[start - WINDOW_MS - BESIDE_MS : start - WINDOW_MS + 1]
            after = steps[end + WINDOW_MS - 1 : end + WINDOW_MS + BESIDE_MS]
            short = end - start + WINDOW_MS - 1 < SHORT_MS
            edge = (SHORT_EDGE_DB if short else EDGE_DB) / STEP_DB
            if first - np.median(before) >= edge and last - np.median(after) >= edge:
                found.append((start, end))
        return found
