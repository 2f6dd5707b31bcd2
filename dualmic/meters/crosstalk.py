"""Crosstalk: one person's voice in the other's microphone, its level, delay and polarity.

The level is the K-weighted power of A's voice in B's microphone over that in A's own, while only A
speaks, the power of each microphone's noise removed. Where the leak lies under the noise, what can
be said is an upper bound.

Delay and polarity come from the generalised cross-correlation of the two microphones over A's
frames, the pauses' cross-spectrum (a noise that both hear) subtracted: the place and sign of its
main peak. Frequencies are weighted by how coherent the microphones are there, so noise alone counts
little. Where the second peak is above 0.7 of the first, as reflections in a live room may be, no
delay is given. Reflections keep the sign, so the polarity still is, if most of the curve has it. A
steep filter in one input spreads the peak into swings of either sign: then no polarity is given.

References:
    C. H. Knapp and G. C. Carter, "The generalized correlation method for estimation of time
    delay", IEEE Trans. ASSP 24(4), 1976.

"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from dualmic.meters.cross_spectra import PAUSE, ClassSums
from dualmic.tiles import Floats, Mask, Powers

LONGEST_DELAY_MS = 50.0
SECOND_PEAK = 0.7
# Our choice: the sum of the curve's cubes over the sum of their sizes. In simulated rooms it is 0.2
# and more; of sounds that have nothing in common it stays under 0.12.
ONE_SIDED = 0.2
# Our choices: the swing of the other sign within a millisecond of the main peak. Of 36 leaks of
# opposite polarity in rooms it reached half of it, beside steep filters 0.57 and more.
OTHER_SIGN, BESIDE_PEAK_MS = 0.55, 1.0
LEAST_CELLS = 100  # one second of somebody alone
LEAST_FRAMES = 20
# Our choices: a section holds three seconds of somebody alone, from turns at most so far apart; its
# noise comes from half a second of pauses or more within ten seconds of it.
SECTION_S = 30.0
SECTION_CELLS = 300
AROUND_CELLS = 1000
LEAST_PAUSE_CELLS = 50
# Our choice. Words that nobody was given, as of who has turned away, pass for pauses: they stand so
# far over the faint quarter of them, and a place that wanders hardly does.
WORDS_OVER_DB, FAINT_PERCENTILE = 12.0, 25.0
# No one word, of a second at most, makes a section; nor does it hide a leak that is plain.
WORD_CELLS, ONE_WORD_DB = 100, 5.0
# A leak under the noise is told, too, if the standard error is so small a share of it, and the
# voice itself stands 10 dB over its noise: a place that swells in both microphones follows itself.
SURE, CLEAR = 0.2, 10.0
FOLLOWED = 15  # cells: a room's early reflections, so that they count as what follows a voice
_FINER = 16


@dataclass(frozen=True)
class LeakLevel:
    """Level of a leak in dB re the same voice in its own microphone.

    ``stands_out``: it is louder than the noise there, so that no noise that swells explains it.
    """

    level_db: float
    is_upper_bound: bool
    measured_s: float
    stands_out: bool = True


@dataclass(frozen=True)
class Followed:
    """What of a microphone's power follows a voice, in dB re the voice, and if that is sure."""

    level_db: float
    is_sure: bool


@dataclass(frozen=True)
class Arrival:
    """How much later (+) the leak arrives than the voice in its own microphone, and its sign.

    ``delay_ms`` is None where no peak stands out but all have one sign, ``polarity`` where the main
    peak has swings of the other sign beside it that are nearly as large.
    """

    delay_ms: float | None
    polarity: Literal["same", "opposite"] | None


def leak_level(
    own: Powers | Floats, other: Powers | Floats, single: Mask, own_noise: float, other_noise: float
) -> LeakLevel | None:
    """Measure the leak of one voice.

    Args:
        own: K-weighted cell powers of the speaker's microphone.
        other: the same of the microphone it leaks into.
        single: the cells in which only this person speaks.
        own_noise: K-weighted noise power of the speaker's microphone.
        other_noise: that of the other microphone.

    Returns:
        The level, or None with less than one second of single talk.

    """
    count = int(single.sum())
    if count < LEAST_CELLS:
        return None
    here = float(own[single].mean()) - own_noise
    heard = float(other[single].mean())
    there = heard - other_noise
    if here <= 0:
        return None
    # A difference of less than a tenth of the noise cannot be told from the noise's own wandering.
    bound = there < 0.1 * other_noise
    power = max(there, 0.1 * other_noise) if bound else there
    if power <= 0:
        return LeakLevel(-120.0, True, count / 100, stands_out=False)
    level_db = float(10 * np.log10(power / here))
    return LeakLevel(level_db, bound, count / 100, stands_out=there >= other_noise)


def pause_power(power: Powers | Floats, pause: Mask) -> float:
    """Return the noise in the pauses ``(cells,)`` of a microphone, 0 without any.

    What stands far over their faint moments is no noise but somebody's words.
    """
    quiet = power[pause]
    if not len(quiet):
        return 0.0
    faint = float(np.percentile(quiet, FAINT_PERCENTILE, overwrite_input=True))
    most = faint * 10 ** (WORDS_OVER_DB / 10)
    return float(quiet.mean(dtype=np.float64, where=quiet <= most))


def leak_sections(
    own: Powers | Floats,
    other: Powers | Floats,
    single: Mask,
    pause: Mask,
    turns: Sequence[tuple[float, float]],
    *noise: float,
) -> list[tuple[float, float, float]]:
    """Return (start_s, end_s, level_db) of each stretch of the speaker's turns.

    Turns are taken together until they hold three seconds of single talk, and one that does so by
    itself stays alone, so that a turned-round answer is not averaged with others. The noise is that
    of the pauses around.

    Args:
        own: K-weighted cell powers of the speaker's microphone.
        other: the same of the microphone it leaks into.
        single: the cells in which only this person speaks and both microphones are fit to measure.
        pause: the cells in which nobody speaks, the same left out.
        turns: (start_s, end_s) of the speaker's turns, in order.
        noise: K-weighted noise power of both over the whole take, for where pauses are few.

    """
    sections: list[tuple[float, float, float]] = []
    first: int | None = None
    for start_s, end_s in turns:
        start, end = round(start_s * 100), min(round(end_s * 100), len(single))
        stands_alone = single[start:end].sum() >= SECTION_CELLS
        if first is None or stands_alone or start - first > SECTION_S * 100:
            first = start
        if single[first:end].sum() < SECTION_CELLS:
            continue
        part = slice(first, end)
        around = slice(max(first - AROUND_CELLS, 0), end + AROUND_CELLS)
        quiet = pause[around]
        local = noise
        if quiet.sum() >= LEAST_PAUSE_CELLS:
            local = tuple(pause_power(power[around], quiet) for power in (own, other))
        level = leak_level(own[part], other[part], single[part], local[0], local[1])
        follows = followed(own[part], other[part], single[part])
        clear = own[part][single[part]].mean() > CLEAR * local[0]
        if level is not None and (level.stands_out or (clear and follows.is_sure)):
            level_db = follows.level_db
            if not level.is_upper_bound:
                level_db = min(level_db, level.level_db)
            sections.append((first / 100, end / 100, level_db))
        first = None
    return sections


def followed(own: Powers | Floats, other: Powers | Floats, single: Mask) -> Followed:
    """Return the leak as the part of the other microphone's power that follows the voice.

    What sounds there whether the voice is loud or faint (a background that came up, another voice)
    is no leak, even if no pause shows it: the slope of the regression of one power on the other,
    both averaged over as much as a room's early reflections last. One word that was taken for the
    voice and is not makes no leak either: it is the least of what is left without any one word.
    How sure the slope is tells how much it varies without each half second (the jackknife).

    Args:
        own: K-weighted cell powers of the speaker's microphone.
        other: the same of the microphone it leaks into.
        single: the cells in which only this person speaks.

    """
    shape = np.full(FOLLOWED, 1 / FOLLOWED)
    here, there = (np.convolve(power, shape, "same")[single] for power in (own, other))
    here, there = here[here > 0], there[here > 0]
    if not len(here):
        return Followed(math.inf, False)
    weight = 1.0 / here  # or else the loudest word alone would tell
    sums = np.stack([weight, np.ones(len(here)), here, weight * there, there])
    halves = np.add.reduceat(sums, np.arange(0, len(here), WORD_CELLS // 2), axis=1)
    whole = halves.sum(axis=1, keepdims=True)
    slope = _slopes(whole)[0]
    if not np.isfinite(slope):
        return Followed(math.inf, False)
    less = np.append(_slopes(whole - (halves[:, :-1] + halves[:, 1:])), slope)
    least = max(float(np.nanmin(less)), slope * 10 ** (-ONE_WORD_DB / 10), 1e-12)
    without = _slopes(whole - halves)
    error = float(np.std(without) * np.sqrt(max(len(without) - 1, 0)))
    return Followed(10 * math.log10(least), error < SURE * slope)


def _slopes(sums: Powers) -> Powers:
    """Return the slopes of columns of sums over cells, NaN where the voice does not change."""
    weights, count, heard, weighted, both = sums
    with np.errstate(invalid="ignore", divide="ignore"):
        spread = heard - count**2 / weights
        known = spread > 1e-9 * heard
        slopes: Powers = np.where(known, (both - count / weights * weighted) / spread, np.nan)
    return slopes


def arrival(
    sums: ClassSums, classes: Mask, rate_hz: int, *, voice_is_first: bool
) -> Arrival | None:
    """Find delay and polarity of the leak in the frames of the given level-difference classes."""
    frames = int(sums.frames[:-1][classes].sum())
    if frames < LEAST_FRAMES:
        return None
    cross = sums.cross[:-1][classes].sum(axis=0)
    first = sums.first[:-1][classes].sum(axis=0)
    second = sums.second[:-1][classes].sum(axis=0)
    pauses = int(sums.frames[PAUSE])
    if pauses >= LEAST_FRAMES:
        cross = cross - sums.cross[PAUSE] * (frames / pauses)
    if not voice_is_first:
        cross = cross.conj()
    size = np.abs(cross)
    coherence = np.clip(size**2 / np.maximum(first * second, 1e-30), 0, 0.99)
    # Knapp & Carter, table I: maximum-likelihood weighting gamma^2 / (|G| (1 - gamma^2)), the part
    # that chance alone would show (1 / frames) removed.
    certain = np.maximum(coherence - 2.0 / frames, 0)
    weight = certain / (1 - certain) / np.maximum(size, 1e-30)
    spectrum = np.zeros(sums.frame_bins, complex)
    spectrum[sums.first_bin : sums.first_bin + len(cross)] = cross * weight
    if not np.abs(spectrum).any():
        return None
    size_points = 2 * (sums.frame_bins - 1) * _FINER
    curve = np.fft.irfft(spectrum, size_points)
    # first x conj(second) turns the correlation around: the leak in the second lies at minus delay.
    per_ms = size_points / (2 * (sums.frame_bins - 1)) * rate_hz / 1000
    reach = min(int(LONGEST_DELAY_MS * per_ms), size_points // 2 - 1)
    curve = np.concatenate([curve[-reach:], curve[: reach + 1]])[::-1]
    return _main_peak(curve, reach, per_ms)


def _main_peak(curve: Powers, reach: int, per_ms: float) -> Arrival | None:
    size = np.abs(curve)
    top = int(size.argmax())
    # The second peak is looked for outside the main one's own lobes.
    lobe = int(per_ms * 0.6)
    rest = size.copy()
    rest[max(top - lobe, 0) : top + lobe + 1] = 0
    if size[top] <= 0:
        return None
    if rest.max() > SECOND_PEAK * size[top]:
        cubes = (curve / size[top]) ** 3
        side = float(cubes.sum() / np.abs(cubes).sum())
        if abs(side) < ONE_SIDED:
            return None
        return Arrival(None, "same" if side > 0 else "opposite")
    near = round(BESIDE_PEAK_MS * per_ms)
    beside = curve[max(top - near, 0) : top + near + 1]
    is_sure = -(beside / curve[top]).min() < OTHER_SIGN
    sign: Literal["same", "opposite"] = "same" if curve[top] > 0 else "opposite"
    return Arrival((top - reach) / per_ms, sign if is_sure else None)


def classes_beyond(
    threshold_db: float, apart_db: float, *, above: bool, differences_db: Powers
) -> Mask:
    """Return the level-difference classes that lie clearly on one side of the threshold."""
    margin = min(3.0, apart_db / 4)
    if above:
        return differences_db > threshold_db + margin
    return differences_db < threshold_db - margin
