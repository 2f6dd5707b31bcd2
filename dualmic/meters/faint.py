"""Where a channel falls at once to far less than its own background: a receiver that mutes to hiss.

The level about the mean (so that no offset counts) over 5 ms is kept every millisecond, from a
sixteenth of the samples or fewer: hiss fills the whole band. A stretch counts where that level lies
well under the channel's background throughout, is rough as hiss is (the crest of a hum is smooth),
and stood far above it just before and just after, or was cut off from loud sound and lies very far
under it. Or where it is torn off at both ends, faster than any room lets sound die away: then what
is left may be as loud as the background.

A converter that freezes and is dithered afterwards holds a value to its last bits: what stays so
close to a level off zero has no sound in it at all, and is kept as if it were silent.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from dualmic.meters.faint_ends import (
    ROUGH,
    SHORT_MS,
    SILENT,
    STEP_DB,
    WINDOW_MS,
    is_cut_off,
    is_steep,
    is_torn,
)
from dualmic.meters.masks import bridged, longer, middle, runs_of
from dualmic.stack import Stack, pieces
from dualmic.tiles import Floats, Indices, Mask, span_edges

PER_S = 1000
PIECE_MS = 600_000  # ten minutes are looked at together, of no influence on results
# 15 samples in 5 ms are enough to read a hiss to 2 dB. (our choice)
SAMPLES_PER_S = 3_000
HELD = ROUGH + SILENT - 1  # as good as silent
# Our choice: of white hiss neighbours differ by twice its power, of a tone below 1 kHz by a tenth.
ROUGH_SHARE = 0.5
FAR_FROM_ZERO = 0.06  # our choice: a clipped top, no offset of a converter
# Our choices: dither of 16 bits comes to 0.7 steps. So close to a level 5 steps off zero over 5 ms
# no hum stays (one of 10 steps changes by one), and a clipped top lies nearer full scale.
HELD_STEP, HELD_OFF_STEPS, HELD_BELOW = 2.0**-15, 5, 0.4
HELD_SHORTEST_MS = 12  # of speech in a quiet recording 6 ms are as still now and then
ROUNDING = 1e-6  # of single precision, in a difference of squares
# Our choices: real mutes lie 20 dB and more under the background; over 5 ms a background of low
# frequencies reads up to 7 dB less than its mean.
UNDER_DB, EDGE_DB = 12.0, 13.0
BRIDGE_MS = 4  # chance lifts a few windows of a hiss
SMOOTH_BY_CHANCE_MS = 10  # and makes some as smooth as a hum, once in a second or so
# Dither, or hiss of less than a bit, is zero for some milliseconds now and then. A background that
# lies so high is not: the last bit of 16 holds noise of -96 dBFS. (our choice)
LAST_BITS_DBFS = -85.0
# Nearer to the quietest moments of a take whose background changes, it is sure where it falls from
# speech and comes back into it.
NEAR_UNDER_DB, NEAR_EDGE_DB = 7.0, 25.0
# A receiver's hiss is always as loud, to what 15 samples tell of it: 90 in 100 of its windows lie
# within 5 or 6 dB. What seems lost against a looser background and is as loud as what surely is
# lost is lost as well. (our choices)
SAME_DB, EVEN_DB, EVEN_PERCENTILES = 2.0, 8.0, (5.0, 95.0)
# No room lets a voice fall by 22 dB within some milliseconds: what is torn so at both ends may be
# lost though the hiss that is left be as loud as the background, if the other microphone bears it
# out. A link that fades within 4 ms jumps by half of 30 dB and by 18 and more; of a gate that takes
# 10, and of most words in the open air, one end at least jumps by a third or by 17 dB at most.
# For longer than ten seconds it is a dead microphone's background.
TORN_UNDER_DB, TORN_LEAST_MS, TORN_MOST_MS = -6.0, 100, 10_000
# The background is what is left of the quietest moments once mutes are taken out: of loose ones
# first, because mutes may fill more of the take than its pauses do, of the very lowest at last,
# because in dry speech with few pauses the pauses themselves have steep ends.
PERCENTILES = (25.0, 10.0, 3.0)
CODEC_FRAME = 1024  # samples, of AAC: within one before it, what a codec leaves of a fall is noise
AT_END_S = 0.15  # what fades in or out at the ends of a file, coders' padding with it
LONGEST_SHARE = 0.5  # of what is no silence: then that is how the microphone sounds


class Faint(NamedTuple):
    """A stretch of a receiver's hiss, or (``is_held``) of a value held to its last bits.

    ``is_torn``: hiss as loud as the background, perhaps, but torn from loud sound at both ends.
    """

    start_s: float
    end_s: float
    is_held: bool
    is_torn: bool


class FaintLevels:
    """Feeds on samples, keeps one byte a millisecond and channel: 3.6 MB an hour."""

    def __init__(self, rate_hz: int, channels: int, *, is_lossy: bool = False) -> None:
        """Choose which samples to look at; ``is_lossy``: a codec may have smeared what falls."""
        self._smear_ms = round(CODEC_FRAME / rate_hz * PER_S) if is_lossy else 0
        edges = span_edges(rate_hz, PER_S)[:-1]
        self._width = max(rate_hz // PER_S, 1)
        self._stride = max(rate_hz // SAMPLES_PER_S, 1)
        self._at = edges[:, None] + np.arange(0, self._width, self._stride)
        self._even = rate_hz % PER_S == 0
        self._per_ms = self._at.shape[1]
        self._ones = np.ones(self._per_ms, np.float32)
        self._past = np.zeros((3, channels, 0))
        self._zero: Floats | None = None
        self._levels = Stack()

    def push(self, samples: Floats) -> None:
        """Take in the next span ``(channels, frames)``."""
        if self._zero is None:  # near enough to any offset for single precision
            self._zero = samples.mean(axis=1)[:, None, None]
        sums = np.concatenate([self._past, self._sums(samples, self._zero)], axis=2)
        self._past = sums[:, :, -(WINDOW_MS - 1) :]
        if sums.shape[2] < WINDOW_MS:
            return
        windows = sums.shape[2] - WINDOW_MS + 1
        total = sums[:, :, :windows]
        for later in range(1, WINDOW_MS):
            total = total + sums[:, :, later : later + windows]
        mean, square, rough = total / (WINDOW_MS * self._per_ms)
        power = np.maximum(square - mean * mean, 1e-16)
        steps = np.clip(-10 / STEP_DB * np.log10(power), 0, SILENT).astype(np.uint8)
        is_rough = (rough > ROUGH_SHARE * power) & (np.abs(mean) < FAR_FROM_ZERO)
        steps += is_rough.view(np.uint8) * np.uint8(ROUGH)
        away = np.abs(mean)
        still = (power < HELD_STEP**2 + ROUNDING * square) & (rough < 2 * HELD_STEP**2)
        steps[still & (away > HELD_OFF_STEPS * HELD_STEP) & (away < HELD_BELOW)] = HELD
        self._levels.add(steps)

    def _sums(self, samples: Floats, zero: Floats) -> np.ndarray:
        """Return sums of samples, squares and squared steps, ``(3, channels, ms)``."""
        channels, frames = samples.shape
        if self._even:
            whole = samples[:, : frames // self._width * self._width]
            picked = whole.reshape(channels, -1, self._width)[:, :, :: self._stride]
        else:
            picked = samples[:, self._at[self._at[:, -1] < frames]]
        picked = picked - zero
        step = picked[:, :, 1:] - picked[:, :, :-1]
        ones = self._ones
        return np.stack([picked @ ones, (picked * picked) @ ones, (step * step) @ ones[1:]])

    def stretches(self, channel: int, held: Sequence[tuple[float, float]]) -> list[Faint]:
        """Return each stretch of hiss and each held value; ``held`` are runs already known."""
        kept = self._levels.joined((len(self._past[0]), 0), np.uint8)[channel]
        silent = [
            (max(int(start_s * PER_S) - 10, 0), int(end_s * PER_S) + 10) for start_s, end_s in held
        ]
        counts = _counted(kept, silent)
        if counts.sum() < PER_S:
            return []
        rest, background = counts, 0.0
        found, loose = list[tuple[int, int]](), list[tuple[int, int]]()
        for percentile in PERCENTILES:
            background = _percentile(rest, 100 - percentile)
            found = self._lost(kept, silent, background)
            loose += found
            around = [(max(start - WINDOW_MS, 0), end + WINDOW_MS) for start, end in found]
            rest = _counted(kept, silent + around)
            if rest.sum() < LONGEST_SHARE * counts.sum():
                return []
        near = [
            run
            for run in _below(kept, silent, background, NEAR_UNDER_DB)
            if run[1] - run[0] >= SHORT_MS and is_steep(kept, run, NEAR_EDGE_DB)
        ]
        found += [run for run in near if _is_new(run, found)]
        found += _same_hiss(kept, loose, found)
        torn = [
            run
            for run in _below(kept, silent, background, TORN_UNDER_DB)
            if TORN_LEAST_MS <= run[1] - run[0] <= TORN_MOST_MS
            and is_torn(kept, run, self._smear_ms)
        ]
        # What lies under the background throughout is dated by that.
        found += [run for run in torn if _is_new(run, found)]
        # Window k covers the milliseconds k to k + 4.
        return [
            Faint(
                start / PER_S,
                (end + WINDOW_MS - 1) / PER_S,
                _is_held(kept[start:end]),
                not _is_new((start, end), torn),
            )
            for start, end in sorted(found)
        ]

    def _lost(
        self, kept: np.ndarray, silent: Sequence[tuple[int, int]], background: float
    ) -> list[tuple[int, int]]:
        """Return the stretches far under a background that begin and end steeply."""
        runs = _below(kept, silent, background, UNDER_DB)
        return [
            run
            for run in runs
            if is_steep(kept, run, EDGE_DB, self._smear_ms)
            or is_cut_off(kept, run, background, self._smear_ms)
        ]


def _is_held(windows: np.ndarray) -> bool:
    """Whether most of a stretch stays as close to one level as nothing but a held value does."""
    return bool(np.mean(windows == HELD) > 0.5)


def _same_hiss(
    kept: np.ndarray, loose: Sequence[tuple[int, int]], sure: Sequence[tuple[int, int]]
) -> list[tuple[int, int]]:
    """Return those of the ``loose`` stretches that hold the hiss of a ``sure`` one."""
    levels = [float(middle(_inside(kept, run))) for run in sure if _is_hiss(kept, run)]
    found: list[tuple[int, int]] = []
    for run in loose:
        if _is_hiss(kept, run) and _is_new(run, [*sure, *found]):
            level = float(middle(_inside(kept, run)))
            if any(abs(level - each) * STEP_DB <= SAME_DB for each in levels):
                found.append(run)
    return found


def _inside(kept: np.ndarray, run: tuple[int, int]) -> np.ndarray:
    return kept[run[0] : run[1]] % ROUGH


def _is_hiss(kept: np.ndarray, run: tuple[int, int]) -> bool:
    """Whether a stretch is long enough, and even enough, to tell a receiver's hiss by its level."""
    inside = _inside(kept, run)
    if len(inside) < SHORT_MS or float(middle(inside)) >= HELD % ROUGH:
        return False
    low, high = np.percentile(inside, EVEN_PERCENTILES)
    return bool((high - low) * STEP_DB <= EVEN_DB)


def _unknown(silent: Sequence[tuple[int, int]], piece: slice) -> Mask:
    """Where, in a piece of the take, nothing was told apart before."""
    unknown = np.ones(piece.stop - piece.start, bool)
    for start, end in silent:
        if start < piece.stop and end > piece.start:
            unknown[max(start - piece.start, 0) : end - piece.start] = False
    return unknown


def _counted(kept: np.ndarray, silent: Sequence[tuple[int, int]]) -> Indices:
    """Return how often each level occurs where there is sound, ``(levels,)``."""
    counts = np.zeros(ROUGH, np.int64)
    for piece in pieces(len(kept), PIECE_MS):
        part = kept[piece] % ROUGH
        steps = part[_unknown(silent, piece) & (part < HELD % ROUGH)]
        counts += np.bincount(steps, minlength=ROUGH)
    return counts


def _percentile(counts: Indices, percent: float) -> float:
    """Return the level that ``percent`` of what was counted does not exceed."""
    return float(np.searchsorted(np.cumsum(counts), percent / 100 * counts.sum()))


def _below(
    kept: np.ndarray, silent: Sequence[tuple[int, int]], background: float, under_db: float
) -> list[tuple[int, int]]:
    """Return the windows (first, past the last) so far under ``background``, of hiss or held."""
    runs: list[tuple[int, int]] = []
    over_bits = background * STEP_DB < -LAST_BITS_DBFS
    for piece in pieces(len(kept), PIECE_MS):
        part = kept[piece]
        still = part == HELD
        quiet = part % ROUGH >= background + under_db / STEP_DB
        faint = quiet & (part >= ROUGH)
        faint &= ~still | longer(still, HELD_SHORTEST_MS - WINDOW_MS + 1)
        faint |= (part == SILENT) & over_bits
        faint |= quiet & bridged(faint, SMOOTH_BY_CHANCE_MS)
        low = faint & _unknown(silent, piece)
        for start, end in zip(*(edge.tolist() for edge in runs_of(low)), strict=True):
            if runs and piece.start + start - runs[-1][1] <= BRIDGE_MS:
                runs[-1] = runs[-1][0], piece.start + end
            else:
                runs.append((piece.start + start, piece.start + end))
    ends = round(AT_END_S * PER_S)
    return [run for run in runs if ends <= run[0] and run[1] <= len(kept) - ends]


def _is_new(run: tuple[int, int], known: Sequence[tuple[int, int]]) -> bool:
    return not any(run[0] < end and start < run[1] for start, end in known)
