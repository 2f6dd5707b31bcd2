"""What is loud under somebody's words and goes by: an aircraft, a lorry, a crowd.

Nobody pauses for it, so no pause shows it and nothing steps. But the other microphone hears it as
well, while all that this one should hear is the leak of the voice: it is louder than the leak has
been all through the take, without gaps, and does not rise and fall with the words, as a leak does
even of somebody who turns round or whose gain was turned up.
"""

from collections.abc import Iterator

import numpy as np

from dualmic.findings.base import Finding, Limits
from dualmic.hearing import Hearing
from dualmic.meters.masks import runs_of
from dualmic.meters.spectrum import FRAMES_PER_S, frame_mask
from dualmic.stack import pieces
from dualmic.tiles import Floats, Mask, Powers, power_db

# Our choices, tuned on 230 simulated takes, of which two held an aircraft. Windows of three seconds
# every half a second; five of them one after the other.
WINDOW_S, STEP_S, LEAST_WINDOWS = 3.0, 0.5, 5
# The words are loud enough to leak where they come within 6 dB of the usual level of the voice; so
# much of the window they have to fill, and so little the other person's own.
LOUD_DB, LOUD_SHARE, OTHER_SHARE = 6.0, 0.2, 0.2
LEAST_LOUD_S = 3.0  # of such words in all, to know the leak by
# The other microphone stands so far over the leak of those words; the quietest tenth of the window
# lies so far under each voice at the most, which without gaps is a background.
OVER_LEAK_DB, UNDER_OTHER_DB, UNDER_DB = 4.0, 20.0, 14.0
# How alike levels of 50 ms rise and fall in both: of leaks 0.78 and more, of aircraft under 0.6.
MOST_ALIKE, SLOW_S = 0.7, 1.0
BLOWN_SHARE = 0.1  # of a window: wind on the other microphone goes by its own name
_WINDOW, _STEP = round(WINDOW_S * FRAMES_PER_S), round(STEP_S * FRAMES_PER_S)
_SLOW = round(SLOW_S * FRAMES_PER_S) // 2
_TOGETHER = 1200  # windows, ten minutes of them, of no influence on results


def passing_noise(hearing: Hearing, limits: Limits) -> list[Finding]:
    """Return where a background that comes and goes lies close under somebody's words."""
    weighted = hearing.measured.spectra.a_weighted
    frames = weighted.shape[1]
    own = np.stack([frame_mask(row, frames) for row in hearing.activity.own])
    unheard = hearing.dead | hearing.shared | hearing.unwanted.blown(hearing.dead.shape[1])
    lost = [frame_mask(cells, frames, whole=False) for cells in unheard]
    levels = [_level_db(weighted[mic], own[mic] & ~lost[mic]) for mic in (0, 1)]
    found: list[Finding] = []
    for mic, level_db in enumerate(levels):
        other_db = levels[1 - mic]
        if level_db is None or other_db is None:
            continue
        gone = lost[0] | lost[1]
        loud = own[mic] & ~own[1 - mic] & ~gone & (level_db > -LOUD_DB)
        if loud.sum() < LEAST_LOUD_S * FRAMES_PER_S:
            continue
        leak_db = float(np.median((other_db - level_db)[loud]))
        told = np.concatenate(
            [
                _told(part, leak_db)
                for part in _windows(level_db, other_db, loud, own[1 - mic], gone)
            ]
        )
        for first, end in zip(*runs_of(told), strict=True):
            if end - first >= LEAST_WINDOWS:
                span = slice(first * _STEP, (end - 1) * _STEP + _WINDOW)
                # Beside the wearer of the other microphone, whose words are as loud once levelled.
                speech = weighted[1 - mic][own[1 - mic] & ~lost[1 - mic]].mean(dtype=np.float64)
                noise = np.median(weighted[1 - mic][span])
                stands_db = float(power_db(speech / max(float(noise), 1e-16)))
                found += _of(mic, span, stands_db, limits)
    return found


def _level_db(weighted: Floats, own: Mask) -> Powers | None:
    """Return A-weighted levels beside the wearer's usual one; None of who hardly speaks."""
    if own.sum() < LEAST_LOUD_S * FRAMES_PER_S:
        return None
    level_db = power_db(np.maximum(weighted, 1e-16))
    return np.asarray(level_db - np.median(level_db[own]))


def _windows(*rows: np.ndarray) -> Iterator[list[np.ndarray]]:
    """Yield ``(windows, frames)`` of each row, some minutes at a time."""
    count = max((len(rows[0]) - _WINDOW) // _STEP + 1, 0)
    for part in pieces(count, _TOGETHER):
        span = slice(part.start * _STEP, (part.stop - 1) * _STEP + _WINDOW)
        yield [
            np.lib.stride_tricks.sliding_window_view(row[span], _WINDOW)[::_STEP] for row in rows
        ]


def _told(rows: list[np.ndarray], leak_db: float) -> Mask:
    """Whether each window holds a background, from levels and masks ``(windows, frames)``."""
    level_db, other_db, loud, talks, gone = rows
    enough = (loud.mean(axis=1) >= LOUD_SHARE) & (talks.mean(axis=1) <= OTHER_SHARE)
    told: Mask = enough & (gone.mean(axis=1) <= BLOWN_SHARE)
    some = np.flatnonzero(told)
    over = np.where(loud[some], other_db[some] - level_db[some], np.nan)
    low, other_low = (np.percentile(each[some], 10, axis=1) for each in (level_db, other_db))
    told[some] = (
        (np.nanmedian(over, axis=1) - leak_db >= OVER_LEAK_DB)
        & (low >= -UNDER_DB)
        & (other_low >= -UNDER_OTHER_DB)
    )
    some = np.flatnonzero(told)
    told[some] = _alike(level_db[some], other_db[some]) <= MOST_ALIKE
    return told


def _alike(one_db: Powers, two_db: Powers) -> Powers:
    """Return the correlation of the quick changes of two levels, a row at a time."""
    one, two = (each - _slowly(each) for each in (one_db, two_db))
    one, two = (each - each.mean(axis=1, keepdims=True) for each in (one, two))
    power = (one**2).sum(axis=1) * (two**2).sum(axis=1)
    return np.asarray((one * two).sum(axis=1) / np.sqrt(np.maximum(power, 1e-20)))


def _slowly(rows: Powers) -> Powers:
    """Return the mean of a second around each frame."""
    padded = np.pad(rows, ((0, 0), (_SLOW, _SLOW)), mode="edge")
    return np.asarray(
        np.lib.stride_tricks.sliding_window_view(padded, 2 * _SLOW + 1, axis=1).mean(axis=2)
    )


def _of(mic: int, span: slice, stands_db: float, limits: Limits) -> list[Finding]:
    warn = limits.noise_warn_db
    if warn is None or stands_db >= warn:
        return []
    start_s, end_s = (float(at) / FRAMES_PER_S for at in (span.start, span.stop))
    value = round(max(stands_db, 0.0), 1)
    facts, fail = {"passing": True}, limits.noise_fail_db
    spoils = fail is not None and stands_db < fail
    limit = fail if spoils else warn
    told = Finding(
        "noise", mic, start_s, end_s, "warn", value, limit, "dB", spoils=spoils, facts=facts
    )
    return [told]
