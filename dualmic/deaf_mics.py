"""Where a microphone holds steady noise in which the other one's speech leaves no trace.

It is dead there if the leak it usually has would stand clear of that noise, or, where it never
worked, one of -30 dB would. A wearer who says nothing, and whose microphone never heard the other
either, is told from a dead input by what was heard before: all that the other heard, or another
noise.
"""

import numpy as np

from dualmic.meters.bands import Bands, Stretch, stretches, voice_power
from dualmic.meters.cloth import flat_and_heard
from dualmic.meters.floor import GROUP, floor_at, floor_of, group_means
from dualmic.meters.masks import (
    bridged,
    holding,
    longer,
    mask_of,
    moving_mean,
    number_in,
    runs_of,
)
from dualmic.meters.spectrum import FRAMES_PER_S
from dualmic.stack import kept, let_go
from dualmic.tiles import CELLS_PER_S, Floats, Mask, power_db
from dualmic.usual_leak import LEAST_LEAK_DB, UsualLeak, leak_of

# Our choices.
LEAST_S = 2.5  # without the pauses between words
DEAF_LEAST_S = 10.0  # for so long the other does not speak softly only
WINDOW_S = 2.0
WINDOW_CELLS = round(WINDOW_S * 100)
SHARE_STEP_CELLS = 10  # what is looked at over two seconds is the same a tenth of one later
SMOOTH_CELLS = 5
HUM_FREE_BANDS = slice(
    2, 5
)  # 600 Hz to 4 kHz: a dead input hums, and a hum may cover the leak that is missed
CLEAR_DB = 6.0  # the leak that is missed would stand this far over the noise
# What somebody wears, and what hears a room at all, never holds one level so closely, second by
# second, for the whole of a take: there as much would leak as among people who sit together.
EVEN_DB, EVEN_LEAST_S, NEAR_LEAK_DB = 0.5, 30, -15.0
# Alive is what stands so far over the floor. Of what is heard then the weaker part is leak.
ALIVE_DB, LEAK_PERCENTILE = 10.0, 20.0
LEAST_VOICE_CELLS = 50  # half a second of a word
LEAST_ALIVE_CELLS, ALIVE_NOISE_PERCENTILE = 100, 10.0  # as soft as it gets
WORDS_APART_CELLS = 100  # in pauses no longer than that, and for as long before, it was alive
OTHER_NOISE_DB = 10.0  # further than traffic swells
ELSEWHERE_LEAST_CELLS = 1000  # ten seconds, to know what noise there is
# A microphone falls silent that heard all but a twentieth of the other's speech, then as little.
LEAST_TALK_CELLS, HARDLY, HEARD_FROM_TO = 300, 0.05, (0.01, 0.99)
TRACE_DB = 2.5  # and less than this stands over the floor while the other one talks
# What is missed has to be words. Where microphones died in 270 simulated scenes 97 % and more of it
# was, and 1 % where somebody only moved.
WORDS_SHARE = 0.4
GUST_RATIO, GUST_REACH_FRAMES = 10 ** (10.0 / 10), 3 * FRAMES_PER_S  # wind comes and goes
# What is usual is there nearly whenever it could be heard, and hardly ever where it is missed. Of
# knocks that both microphones hear, or of one answer given face to face, neither is true.
USUAL_FROM, MISSED_TO, LEAST_USUAL_MOMENTS = 0.8, 0.3, 20


def deaf(bands_db: np.ndarray, mic: int, silent: Mask, noise_bands: Floats) -> Mask:
    """Where the other microphone's speech leaves no trace in this one, though it should.

    ``noise_bands`` are those of :class:`dualmic.meters.spectrum.Spectra`.
    """
    cells = len(silent)
    nowhere = np.zeros(cells, bool)
    floors = [_floor(bands_db[m]) for m in (mic, 1 - mic)]
    pieces = [_Piece(bands_db, mic, silent, floors, stretch) for stretch in stretches(cells)]
    if sum(int(piece.talk.sum()) for piece in pieces) < 100 or cells < WINDOW_CELLS:
        return nowhere
    shares = np.concatenate([piece.shares for piece in pieces])
    usual = float(np.percentile(shares, 75)) if len(shares) else 0.0
    leak: UsualLeak | None = None
    alive_noise: float | None = None
    leaks_at_all = usual >= 10 ** (LEAST_LEAK_DB / 10)
    if not leaks_at_all:
        usual = 10 ** ((NEAR_LEAK_DB if _is_even(pieces) else LEAST_LEAK_DB) / 10)
        if sum(int(piece.loud.sum()) for piece in pieces) >= 100:
            # It heard voices once and may have died early, or its wearer hardly speaks and no leak
            # is heard. Only a dead input heard all that the other does up to a moment, or has
            # another noise than it had when it heard voices.
            alive = np.concatenate([piece.alive_shares for piece in pieces])
            if len(alive) < 100:
                return nowhere
            usual = max(usual, float(np.percentile(alive, LEAK_PERCENTILE)))
            if not _fell_silent(pieces):
                alive_noise = _noise_while_alive(bands_db[mic], silent, floors[0])
                if alive_noise is None:
                    return nowhere
    else:
        voices, traced = (
            np.concatenate(rows)
            for rows in zip(*((piece.voices, piece.traced) for piece in pieces), strict=True)
        )
        leak = leak_of(shares, voices, traced)
    lacking, still, loud = (nowhere.copy() for _ in range(3))
    for piece in pieces:
        lacking[piece.part] = piece.lacking(usual, leak, alive_noise)
        still[piece.part] = piece.still
        loud[piece.part] = piece.loud
    # Between the words of the other nothing can be missed: there it is dead if it was on both
    # sides and holds no more than its floor.
    joined = holding(bridged(lacking | (still & ~silent), 10), lacking)
    sure = longer(joined, round(LEAST_S * 100))
    joined = bridged(sure, round(4 * WINDOW_S * 100))
    # What holds a voice in between is alive there.
    starts, ends = runs_of(joined & ~sure)
    heard = number_in(loud, starts, ends) >= LEAST_VOICE_CELLS
    joined &= ~mask_of(starts[heard], ends[heard], cells)
    found = longer(joined & ~silent, round(DEAF_LEAST_S * 100))
    if found.any():
        talk = np.concatenate([piece.talk for piece in pieces])
        found &= ~_of_no_voice(bands_db, noise_bands[1 - mic], 1 - mic, found, lacking & talk)
    if _lacks_in_turns(pieces, found) and _sounds_as_before(floors[0], found, silent):
        return nowhere
    by_noise = alive_noise is not None
    if found.any() and _hears_the_room(floors, found, silent, by_noise=by_noise):
        return nowhere
    if found.any() and leaks_at_all:
        found &= _is_usual(pieces, found, usual, leak)
    return found


def _of_no_voice(
    bands_db: np.ndarray, noise_bands: Floats, other: int, found: Mask, missed: Mask
) -> Mask:
    """Where nearly all that is ``missed`` of the ``other`` microphone's sound is no voice.

    Cloth on one microphone and wind in it are heard by it alone, whatever the other one hears.
    """
    flat, _ = flat_and_heard(Bands(bands_db), other)
    starts, ends = runs_of(found)
    # Most of wind lies below 100 Hz, of a deep voice less than above; a hum stays.
    low, above = noise_bands[:, 0], noise_bands[:, 1]
    around = np.pad(low, GUST_REACH_FRAMES, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(around, 2 * GUST_REACH_FRAMES + 1)
    gusts = (low >= above) & (low > GUST_RATIO * windows.min(axis=1))
    blows = np.zeros(len(found), bool)
    by_cell = np.repeat(gusts, CELLS_PER_S // FRAMES_PER_S)[: len(found)]
    blows[: len(by_cell)] = by_cell
    words = number_in(missed & ~flat & ~blows, starts, ends)
    few = words < WORDS_SHARE * number_in(missed, starts, ends)
    return mask_of(starts[few], ends[few], len(found))


def _is_usual(pieces: list["_Piece"], found: Mask, usual: float, leak: UsualLeak | None) -> bool:
    """Whether what is due leaves its trace elsewhere, and seldom where it is ``found`` to lack."""
    rows = [piece.traced_where_due(found, usual, leak) for piece in pieces]
    traced, there = (np.concatenate(row) for row in zip(*rows, strict=True))
    missed, elsewhere = traced[there], traced[~there]
    if len(missed) and missed.mean() > MISSED_TO:
        return False
    return len(elsewhere) < LEAST_USUAL_MOMENTS or bool(elsewhere.mean() >= USUAL_FROM)


def _lacks_in_turns(pieces: list["_Piece"], found: Mask) -> bool:
    """Whether a microphone hears speech between two stretches in which it is ``found`` to lack it.

    It may never have heard the other: its wearer's words, as loud in the other microphone as that
    one's own, are all that was heard of them.
    """
    starts, ends = runs_of(found)
    if len(starts) < 2:
        return False
    heard = np.concatenate([piece.talk & ~piece.no_trace for piece in pieces])
    return int(number_in(heard, ends[:-1], starts[1:]).max()) >= LEAST_TALK_CELLS


def _sounds_as_before(floor: Floats, found: Mask, silent: Mask) -> bool:
    """Whether a microphone has the same noise where it is ``found`` to lack leaks as elsewhere."""
    return abs(_rise_db(floor, found, silent)) < TRACE_DB


def _hears_the_room(floors: list[Floats], found: Mask, silent: Mask, *, by_noise: bool) -> bool:
    """Whether the noise where leaks are ``found`` to lack is as new to the other microphone.

    A noise that came is then in the room, and hides the leaks; where another noise is all that
    tells a dead microphone (``by_noise``), one that went proves nothing either.
    """
    if (~found & ~silent).sum() < ELSEWHERE_LEAST_CELLS:
        return False
    own_db, others_db = (_rise_db(floor, found, silent) for floor in floors)
    is_new = own_db > OTHER_NOISE_DB or by_noise
    return is_new and abs(own_db - others_db) < OTHER_NOISE_DB / 2


def _rise_db(floor: Floats, found: Mask, silent: Mask) -> float:
    """Return how far the noise where a microphone is ``found`` to lack leaks is over the rest."""
    noise = floor_at(floor, 0, len(found))
    there, elsewhere = (float(np.median(noise[part])) for part in (found, ~found & ~silent))
    return float(power_db(there / elsewhere))


def _is_even(pieces: list["_Piece"]) -> bool:
    """Whether a microphone holds one level throughout, as an input does that nothing reaches."""
    seconds = np.concatenate([piece.seconds for piece in pieces])
    if len(seconds) < EVEN_LEAST_S:
        return False
    low, high = np.percentile(seconds, [5, 95])
    return bool(high < 10 ** (EVEN_DB / 10) * low)


def _fell_silent(pieces: list["_Piece"]) -> bool:
    """Whether all speech left a trace while the microphone heard voices, and none before or after.

    Of a wearer who stops talking, and whose microphone never heard the other, that is not so.
    """
    loud, talk, no_trace = (
        np.concatenate(rows)
        for rows in zip(*((p.loud, p.talk, p.no_trace) for p in pieces), strict=True)
    )
    at = np.flatnonzero(loud)
    first, last = (int(at[int(share * (len(at) - 1))]) for share in HEARD_FROM_TO)
    missed = [no_trace[first:last][talk[first:last]]]
    missed.append(np.concatenate([no_trace[k][talk[k]] for k in (slice(first), slice(last, None))]))
    if min(len(part) for part in missed) < LEAST_TALK_CELLS:
        return False
    return bool(missed[0].mean() < HARDLY and missed[1].mean() > 1 - HARDLY)


def _noise_while_alive(bands_db: np.ndarray, silent: Mask, floor: Floats) -> float | None:
    """Return how quiet a microphone usually is just before what it hears, or else in between.

    The floor under it is no measure: it looks ahead by seconds, at what is left after its death.
    """
    own = voice_power(bands_db, HUM_FREE_BANDS, SMOOTH_CELLS)
    loud = (own > 30 * floor_at(floor, 0, len(own))) & ~silent
    words = bridged(loud, WORDS_APART_CELLS)
    if words.sum() < LEAST_ALIVE_CELLS:
        return None
    before = [
        own[start - WORDS_APART_CELLS : start]
        for start in runs_of(words)[0]
        if start >= WORDS_APART_CELLS and not silent[start - WORDS_APART_CELLS : start].any()
    ]
    if before:
        return float(np.median(np.percentile(before, ALIVE_NOISE_PERCENTILE, axis=1)))
    return float(np.percentile(own[words & ~silent], ALIVE_NOISE_PERCENTILE))


def _floor(bands_db: np.ndarray) -> Floats:
    """Return the noise under a microphone's smoothed voice bands, a logarithm every 50 ms."""
    power = voice_power(bands_db, HUM_FREE_BANDS, SMOOTH_CELLS)
    mean = group_means(power)
    let_go()
    return kept(floor_of(mean, power[: 4 * GROUP]))


class _Piece:
    """What a stretch of the take says of a microphone that may hear nothing."""

    def __init__(
        self,
        bands_db: np.ndarray,
        mic: int,
        silent: Mask,
        floors: list[Floats],
        stretch: Stretch,
    ) -> None:
        wide, inside = stretch.wide, stretch.inside
        own, other = (
            voice_power(bands_db[m, wide], HUM_FREE_BANDS, SMOOTH_CELLS) for m in (mic, 1 - mic)
        )
        floor, others = (floor_at(each, stretch.begin, stretch.stop) for each in floors)
        talk = (other > 30 * others) & ~silent[wide]
        during, beneath, voice = (
            _windowed(power, talk, WINDOW_CELLS)[inside] for power in (own, floor, other)
        )
        with np.errstate(invalid="ignore"):
            share = (during - beneath) / voice
            no_trace = (during < 10 ** (TRACE_DB / 10) * beneath) & talk[inside]
            audible_from = 10 ** (CLEAR_DB / 10) * beneath / voice
            alive = during > 10 ** (ALIVE_DB / 10) * beneath
        # Of a working microphone these are few.
        self._audible_from = audible_from[no_trace].astype(np.float32)
        self._voice = voice[no_trace]
        self._noise = beneath[no_trace]
        self.alive_shares = share[alive]
        self.part = stretch.part
        few = share[::SHARE_STEP_CELLS]
        known = np.isfinite(few)
        traced = during > 10 ** (TRACE_DB / 10) * beneath
        self.shares = few[known]
        self.voices, self.traced, self._due_from = (
            row[::SHARE_STEP_CELLS][known] for row in (voice, traced, audible_from)
        )
        self._at = SHARE_STEP_CELLS * np.flatnonzero(known)
        self.talk, self.no_trace = talk[inside], no_trace
        self.loud = (own > 30 * floor)[inside] & ~silent[stretch.part]
        live = own[inside][~silent[stretch.part]]
        self.seconds = live[: len(live) // 100 * 100].reshape(-1, 100).mean(axis=1)
        self.still = (moving_mean(own, 21) < 10 ** (TRACE_DB / 10) * floor)[inside]

    def lacking(self, usual: float, leak: UsualLeak | None, alive_noise: float | None) -> Mask:
        """Where what is usual would stand clear of the noise, and does not.

        ``usual`` is its share of the voice in the other microphone, ``leak`` what is usual of loud
        voices there, if that is known. ``alive_noise`` is the noise that it had while it heard
        voices, if it must have another.
        """
        missed = _due(self._voice, usual, leak) > self._audible_from
        if alive_noise is not None:
            missed &= np.abs(power_db(self._noise / alive_noise)) > OTHER_NOISE_DB
        lacking = self.no_trace.copy()
        lacking[lacking] = missed
        return lacking

    def traced_where_due(
        self, found: Mask, usual: float, leak: UsualLeak | None
    ) -> tuple[Mask, Mask]:
        """Return which of the moments at which something is due show a trace, and are ``found``."""
        due = _due(self.voices, usual, leak) > self._due_from
        return self.traced[due], found[self.part][self._at[due]]


def _due(voice: Floats, usual: float, leak: UsualLeak | None) -> Floats:
    """Return which share of a ``voice`` in the other microphone is due in this one."""
    due = np.full(len(voice), usual, np.float32)
    if leak is not None:
        due[voice >= leak.from_power] = leak.share
    return due


def _windowed(power: Floats, mask: Mask, length: int) -> Floats:
    """Return the mean of ``power`` where ``mask`` in a window round each cell, NaN if too few."""
    count = moving_mean(mask.astype(float), length + 1)
    total = moving_mean(power * mask, length + 1)
    mean = np.where(count * length >= 20, total / np.maximum(count, 1e-9), np.nan)
    return mean.astype(np.float32)
