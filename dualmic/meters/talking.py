"""Where a microphone holds its wearer's voice: more than noise and the other's leak together.

How much more depends on the background. In a steady one a voice shows as soon as it stands a little
over it; one that wanders, as other people's voices nearby do, stands over its own low percentile
all the time. Both show in the take itself, so the threshold is each take's own.
"""

from collections.abc import Sequence

import numpy as np

from dualmic.meters.bands import Bands, Stretch, stretches
from dualmic.meters.masks import bridged, holding, longer, moving_mean
from dualmic.meters.places import Places
from dualmic.tiles import Floats, Indices, Mask, Powers

# All thresholds below are our choices, tuned on simulated scenes of other speakers and rooms than
# those the scores are reported on.
# A voice begins so many times as far over noise and leak as the background wanders (from the
# faintest fiftieth of the take to the faintest tenth), within these shares of how far loud voices
# stand over it: what is wrong about an expected leak is a share of the voice, too. It goes on for
# as long as a share of that is left.
WANDERS, LEAST_OF_LOUD, MOST_OF_LOUD, HOLD = 3.9, 0.25, 0.5, 0.57
FAINTEST, FAINT, LOUD = 0.02, 0.10, 0.90
# A tenth of a decibel more than steady noise ever shows; a background alone never needs more than
# the other.
LEAST_DB, MOST_DB = 1.2, 3.5
STANDS_OUT_DB = 1.0  # nothing does in a microphone that is dead
SHORTEST_S = 0.12
REST_S = 0.3
BRIDGE_S = 0.25
SMOOTH_CELLS = 7
# Words have vowels: in so much of what somebody says they stand over noise and leak in the bands
# from 100 Hz to 2.4 kHz as well. Of 900 stretches of simulated speech, in hum and beside machines,
# all do in two fifths and more but for one; keys that clatter while hum hides what they have there,
# hardly ever.
VOWEL_BANDS, VOWEL_SHARE = slice(0, 4), 0.25
# Who talks at once with somebody else is no softer than this beside their usual level.
SOFT_DB = 6.0
# Somebody's speech lies within this of its own loud parts; what is weaker is not them.
FAINTEST_DB = 32.0
_DB = np.float32(10 / np.log(10))  # decibels in a neper of power
_CLIPPED = -2 / _DB, 15 / _DB  # nepers: what a band may say at most, -2 and 15 dB
_ALL = slice(None)
_EDGES_DB = np.arange(-2.0, 15.0, 0.05)


def starts_db(heard: Bands) -> list[float]:
    """Return how far over noise and leak a voice begins in each microphone.

    A background that wanders, as voices nearby do, stands far over its own low percentile at times,
    in both microphones; how far shows in how the faintest moments of the take give way to louder
    ones. What wanders in one microphone alone is its gain.
    """
    told = [_score_percentiles(heard, m) for m in (0, 1)]
    live = [faint - faintest for faintest, faint, loud in told if loud > STANDS_OUT_DB]
    needed = WANDERS * min(live, default=0.0)
    starts = []
    for _, _, loud in told:
        least, most = max(LEAST_DB, LEAST_OF_LOUD * loud), max(MOST_DB, MOST_OF_LOUD * loud)
        starts.append(min(max(needed, least), most))
    return starts


def _score_percentiles(heard: Bands, m: int) -> list[float]:
    """Return how far one microphone stands over its noise, from the faintest moments on, in dB."""
    counts = np.zeros(len(_EDGES_DB) + 1, np.int64)
    for stretch in stretches(heard.cells):
        over = _over(heard.power(m, stretch), heard.floor(m, stretch))
        score = _mean_db(over)[stretch.inside]
        counts += np.bincount(np.searchsorted(_EDGES_DB, score), minlength=len(counts))
    at = np.searchsorted(np.cumsum(counts), np.array([FAINTEST, FAINT, LOUD]) * counts.sum())
    return [float(_EDGES_DB[min(edge, len(_EDGES_DB) - 1)]) for edge in at]


def _over(power: Floats, expected: Floats) -> Floats:
    """Return how far a microphone stands over what is expected in it, by band, in nepers."""
    over = np.log(power / expected)
    return np.clip(over, *_CLIPPED, out=over)


def _mean_db(over: Floats) -> Floats:
    """Return the mean over bands in dB, ``(cells,)``."""
    score = over.sum(axis=0) * (_DB / len(over))
    return moving_mean(score, SMOOTH_CELLS).astype(np.float32)


def talking(
    heard: Bands, ratio: Powers, from_db: Sequence[float], more: Floats | None = None
) -> Mask:
    """Ask each microphone whether it holds more than noise and the other's leak."""
    return np.stack([_talking_in(heard, m, ratio[1 - m], from_db[m], more) for m in (0, 1)])


def _talking_in(heard: Bands, m: int, ratio: Powers, start_db: float, more: Floats | None) -> Mask:
    """Ask one microphone; ``ratio`` ``(bands,)`` is how much of the other's voice leaks into it."""
    held, starts, vowels = np.zeros((3, heard.cells), bool)
    strengths = []
    for stretch in stretches(heard.cells):
        power, expected = heard.power(m, stretch), _expected(heard, m, stretch, ratio, more)
        over = _over(power, expected)
        score = _mean_db(over)[stretch.inside]
        vowels[stretch.part] = _mean_db(over[VOWEL_BANDS])[stretch.inside] > HOLD * start_db
        np.subtract(power, expected, out=expected)
        strength = np.maximum(expected, 0, out=expected).sum(axis=0)
        held[stretch.part] = score > HOLD * start_db
        start = score > start_db
        starts[stretch.part] = start
        level = np.maximum(moving_mean(strength, SMOOTH_CELLS)[stretch.inside][start], 1e-16)
        strengths.append((10 * np.log10(level)).astype(np.float32))
    if starts.any():
        strength_db = np.concatenate(strengths)
        starts[starts] = strength_db > np.percentile(strength_db, 75) - FAINTEST_DB
    mask = bridged(holding(held, starts), round(BRIDGE_S * 100))
    return longer(holding(mask, vowels, VOWEL_SHARE), round(SHORTEST_S * 100))


def _expected(
    heard: Bands,
    m: int,
    stretch: Stretch,
    ratio: Powers,
    more: Floats | None,
    at: slice | Indices = _ALL,
) -> Floats:
    """Return noise and the other's leak in one microphone, by band, at some cells of a stretch."""
    expected = heard.echo(1 - m, stretch)[:, at] * ratio[:, None].astype(np.float32)
    if more is not None:
        expected *= more[1 - m, stretch.wide][at]
    expected += heard.floor(m, stretch)[:, at]
    return expected


def hiding(
    heard: Bands,
    ratio: Powers,
    from_db: Sequence[float],
    more: Floats | None,
    alone: Mask,
    asked: Mask,
) -> Mask:
    """Return where each wearer could talk without a sign of it in the levels, ``(2, cells)``.

    There noise and the other's leak are so loud that even with the wearer's voice, somewhat softer
    than it usually is, nothing would stand over them.

    Args:
        heard: the take.
        ratio: how much of each voice leaks, ``(2, bands)``.
        from_db: how far over noise and leak a voice begins in each microphone.
        more: see :func:`dualmic.meters.leaks.more_leak`.
        alone: where one person alone speaks, for each, ``(2, cells)``.
        asked: which cells to look at, ``(cells,)``; elsewhere everybody could.

    """
    hidden = np.ones((2, heard.cells), bool)
    for m in (0, 1):
        if not alone[m].any():
            continue
        soft = _usual(heard, m, alone[m])[:, None] * np.float32(10 ** (-SOFT_DB / 10))
        for stretch in stretches(heard.cells):
            at = np.flatnonzero(asked[stretch.part])
            if not len(at):
                continue
            expected = _expected(heard, m, stretch, ratio[1 - m], more, stretch.inside.start + at)
            over_db = _over(expected + soft, expected).sum(axis=0) * (_DB / heard.count)
            hidden[m, stretch.first + at] = over_db < from_db[m]
    return hidden


def _usual(heard: Bands, m: int, alone: Mask) -> Floats:
    """Return a wearer's mean power over the noise in their own microphone, ``(bands,)``."""
    total = np.zeros(heard.count)
    for stretch in stretches(heard.cells):
        at = stretch.inside.start + np.flatnonzero(alone[stretch.part])
        over = heard.power(m, stretch)[:, at] - heard.floor(m, stretch)[:, at]
        total += np.maximum(over, 0).sum(axis=1, dtype=np.float64)
    return (total / alone.sum()).astype(np.float32)


def sounding(heard: Bands, from_db: Sequence[float]) -> Mask:
    """Return where each microphone holds speech over its noise, anybody's, ``(2, cells)``."""
    return talking(heard, np.zeros((2, heard.count)), from_db)


def by_place(heard: Bands, from_db: Sequence[float], places: Places) -> Mask:
    """Give all speech to whose place shows: each microphone hears both people as loudly."""
    sounds = sounding(heard, from_db)
    own = (sounds[0] | sounds[1]) & places.prevailing()
    return np.stack([longer(row, round(SHORTEST_S * 100)) for row in own])


def with_rest(
    heard: Bands,
    own: Mask,
    from_db: Sequence[float],
    difference_db: Floats,
    middle_db: float,
    least_db: float,
) -> Mask:
    """Give speech that stands over the noise but over no leak to whom the level difference says.

    People who sit shoulder to shoulder hear each other so loudly that a voice hardly stands above
    what the other's leak could be.
    """
    own = own.copy()
    nobody = ~(own[0] | own[1])
    for m, mask in enumerate(sounding(heard, from_db)):
        if m == 0:
            theirs = difference_db > middle_db + least_db
        else:
            theirs = difference_db < middle_db - least_db
        rest = longer(mask & nobody & theirs, round(REST_S * 100))
        own[m] = bridged(own[m] | rest, round(BRIDGE_S * 100))
    return own
