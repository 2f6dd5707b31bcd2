"""Where a microphone holds nothing usable although somebody talks.

A microphone counts as dead over a stretch when, while the other microphone hears speech, it hears
nothing of it: neither a voice of its own nor the leak it usually has. Two ways lead there:

- digital silence that lasts to the end of the take or from its start (a pulled plug, a pack whose
  battery went); silence that comes back is a dropout instead;
- steady noise in which the other microphone's speech leaves no trace, although its usual leak (or,
  where the microphone never worked, one of -30 dB) would stand clear of that noise.

A silent interviewer is not a dead microphone: it still hears the subject.
"""

from dataclasses import replace

import numpy as np

from dualmic.meters.bands import Stretch, stretches, voice_power
from dualmic.meters.continuity import HeldRun, dies_away
from dualmic.meters.floor import GROUP, floor_at, floor_of, group_means
from dualmic.meters.masks import (
    bridged,
    holding,
    longer,
    mask_of,
    moving_mean,
    number_in,
    runs_of,
    widened,
)
from dualmic.meters.speech import Activity, activity_of
from dualmic.stack import kept, let_go
from dualmic.tiles import Floats, Mask, power_db
from dualmic.usual_leak import LEAST_LEAK_DB, UsualLeak, leak_of

# Our choices. Five seconds of silence to the end are a dead microphone, not a lost word.
LEAST_S = 5.0
DEAF_LEAST_S = 10.0  # for so long the other does not speak softly only
SEEMING_SHARE = 0.8  # of a turn that lies in the other microphone's gap: no turn
OVER_LEAK_DB = 5.0  # and louder than the other's usual leak by this, it is the wearer's own voice
MUTING_LEAST_S = 20.0
SILENT_DB = -120.0  # band power: no analogue input is that quiet, speech recorded 30 dB low neither
WINDOW_S = 2.0
WINDOW_CELLS = round(WINDOW_S * 100)
SHARE_STEP_CELLS = 10  # what is looked at over two seconds is the same a tenth of one later
SMOOTH_CELLS = 5
HUM_FREE_BANDS = slice(
    2, 5
)  # 600 Hz to 4 kHz: a dead input hums, and a hum may cover the leak that is missed
CLEAR_DB = 6.0  # the leak that is missed would stand this far over the noise
# Alive is what stands so far over the floor. Of what is heard then the weaker part is leak.
ALIVE_DB, LEAK_PERCENTILE = 10.0, 20.0
LEAST_ALIVE_CELLS, ALIVE_NOISE_PERCENTILE = 100, 10.0  # between words, as soft as it gets
OTHER_NOISE_DB = 10.0  # further than traffic swells
TRACE_DB = 2.5  # and less than this stands over the floor while the other one talks


def dead_cells(bands_db: np.ndarray, held: list[list[HeldRun]]) -> Mask:
    """Return ``(2, cells)``: where each microphone holds nothing usable.

    Args:
        bands_db: ``(2, cells, bands)`` band powers in dB.
        held: runs of a held value of each microphone.

    """
    cells = bands_db.shape[1]
    dead = np.zeros((2, cells), bool)
    for mic in (0, 1):
        silent = _silent(bands_db[mic], held[mic])
        dead[mic] = _lasting(silent, dies_away(held[mic]))
        if not dead[mic].all():
            dead[mic] |= _deaf(bands_db, mic, silent)
    return dead


def _silent(bands_db: np.ndarray, held: list[HeldRun]) -> Mask:
    """Where a microphone holds digital silence or a held value for a tenth of a second or more."""
    silent = np.zeros(len(bands_db), bool)
    for stretch in stretches(len(bands_db)):
        silent[stretch.part] = bands_db[stretch.part].max(axis=1) < SILENT_DB
    long = [run for run in held if run.end_s - run.start_s >= 0.1]
    starts = np.array([round(run.start_s * 100) for run in long], np.int64)
    ends = np.array([round(run.end_s * 100) for run in long], np.int64)
    return bridged(silent | mask_of(starts, ends, len(silent)), 20)


def _lasting(silent: Mask, dying: bool) -> Mask:
    """Keep silence to the take's end or from its start, five seconds or more of it.

    A pack that mutes itself in pauses is silent at both ends too, and so is a recording whose
    background is under the last bit (``dying``): there, silence has to last much longer than any
    pause between words did.
    """
    cells = len(silent)
    starts, ends = runs_of(silent)
    length = ends - starts
    at_edge = (starts <= 50) | (ends >= cells - 50)
    inside = length[~at_edge & (length >= 30)]
    least = LEAST_S * 100
    if len(inside) >= 2 or dying:
        least = max(MUTING_LEAST_S * 100, 2 * int(inside.max(initial=0)))
    kept = at_edge & (length >= min(least, cells))
    return mask_of(starts[kept], ends[kept], cells)


def _deaf(bands_db: np.ndarray, mic: int, silent: Mask) -> Mask:
    """Where the other microphone's speech leaves no trace in this one, though it should."""
    cells = len(silent)
    nowhere = np.zeros(cells, bool)
    floors = [_floor(bands_db[m]) for m in (mic, 1 - mic)]
    pieces = [_Piece(bands_db, mic, silent, floors, stretch) for stretch in stretches(cells)]
    if sum(piece.talk_cells for piece in pieces) < 100 or cells < WINDOW_CELLS:
        return nowhere
    shares = np.concatenate([piece.shares for piece in pieces])
    usual = float(np.percentile(shares, 75)) if len(shares) else 0.0
    leak: UsualLeak | None = None
    alive_noise: float | None = None
    if usual < 10 ** (LEAST_LEAK_DB / 10):
        usual = 10 ** (LEAST_LEAK_DB / 10)
        if sum(piece.loud_cells for piece in pieces) >= 100:
            # It heard voices once and may have died early, or its wearer hardly speaks and no leak
            # is heard. Only a dead input has another noise than it had when it heard them.
            alive = np.concatenate([piece.alive_shares for piece in pieces])
            if len(alive) < 100:
                return nowhere
            usual = max(usual, float(np.percentile(alive, LEAK_PERCENTILE)))
            alive_noise = _noise_while_alive(bands_db[mic], silent, floors[0])
            if alive_noise is None:
                return nowhere
    else:
        leak = leak_of(shares, np.concatenate([piece.voices for piece in pieces]))
    deaf, still = nowhere, nowhere.copy()
    for piece in pieces:
        deaf[piece.part] = piece.deaf(usual, leak, alive_noise)
        still[piece.part] = piece.still
    # Between the words of the other nothing can be missed: there it is dead if it was on both
    # sides and holds no more than its floor.
    joined = holding(bridged(deaf | (still & ~silent), 10), deaf)
    joined = bridged(longer(joined, round(LEAST_S * 50)), round(4 * WINDOW_S * 100))
    return longer(joined & ~silent, round(DEAF_LEAST_S * 100))


def _noise_while_alive(bands_db: np.ndarray, silent: Mask, floor: Floats) -> float | None:
    """Return how quiet a microphone is between what it hears, up to the last of that.

    The floor under it is no measure: it looks ahead by seconds, at what is left after its death.
    """
    own = voice_power(bands_db, HUM_FREE_BANDS, SMOOTH_CELLS)
    loud = np.flatnonzero((own > 30 * floor_at(floor, 0, len(own))) & ~silent)
    before = own[: loud[-1] + 1][~silent[: loud[-1] + 1]] if len(loud) else own[:0]
    if len(before) < LEAST_ALIVE_CELLS:
        return None
    return float(np.percentile(before, ALIVE_NOISE_PERCENTILE))


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
        self._no_trace = no_trace
        self._audible_from = audible_from[no_trace].astype(np.float32)
        self._voice = voice[no_trace]
        self._noise = beneath[no_trace]
        self.alive_shares = share[alive]
        self.part = stretch.part
        few = share[::SHARE_STEP_CELLS]
        self.shares = few[np.isfinite(few)]
        self.voices = voice[::SHARE_STEP_CELLS][np.isfinite(few)]
        self.talk_cells = int(talk[inside].sum())
        self.loud_cells = int((own > 30 * floor)[inside].sum())
        self.still = (moving_mean(own, 21) < 10 ** (TRACE_DB / 10) * floor)[inside]

    def deaf(self, usual: float, leak: UsualLeak | None, alive_noise: float | None) -> Mask:
        """Where what is usual would stand clear of the noise, and does not.

        ``usual`` is its share of the voice in the other microphone, ``leak`` what is usual of loud
        voices there, if that is known. ``alive_noise`` is the noise that it had while it heard
        voices, if it must have another.
        """
        due = np.full(len(self._voice), usual, np.float32)
        if leak is not None:
            due[self._voice >= leak.from_power] = leak.share
        missed = due > self._audible_from
        if alive_noise is not None:
            missed &= np.abs(power_db(self._noise / alive_noise)) > OTHER_NOISE_DB
        deaf = self._no_trace.copy()
        deaf[deaf] = missed
        return deaf


def _windowed(power: Floats, mask: Mask, length: int) -> Floats:
    """Return the mean of ``power`` where ``mask`` in a window round each cell, NaN if too few."""
    count = moving_mean(mask.astype(float), length + 1)
    total = moving_mean(power * mask, length + 1)
    mean = np.where(count * length >= 20, total / np.maximum(count, 1e-9), np.nan)
    return mean.astype(np.float32)


def with_dead_mics(bands_db: np.ndarray, activity: Activity, dead: Mask) -> Activity:
    """Tell the two voices apart where one microphone is dead: by level in the live one.

    Before it died, the live microphone heard its wearer at one level and the other person at
    another; each stretch of speech goes to the nearer of the two. Without such a memory the speech
    stays the live microphone's wearer's.
    """
    own = activity.own.copy()
    for mic in (0, 1):
        live = 1 - mic
        gone = dead[mic] & ~dead[live]
        if not gone.any():
            continue
        power = voice_power(bands_db[live])
        usual_own = _typical_db(power[activity.single[live] & ~gone])
        usual_leak = _typical_db(power[activity.single[mic] & ~gone])
        own[mic, gone] = False
        if usual_own is None or usual_leak is None:
            continue
        for start, end in zip(*runs_of(activity.own[live] & gone), strict=True):
            heard = _typical_db(power[start:end])
            if heard is not None and heard < (usual_own + usual_leak) / 2:
                own[live, start:end] = False
                own[mic, start:end] = True
    return activity_of(own, activity.clusters_db, activity.leak_ratio, activity.cloth)


def without_gaps(bands_db: np.ndarray, activity: Activity, held: Mask) -> Activity:
    """Take back turns that a gap in the other microphone only seems to make.

    Where one microphone's sound is gone for a moment, its wearer's leak in the other has nothing to
    be compared with and would pass for the other's own voice. It is a leak by its level: a pack
    that mutes itself while its wearer is silent leaves the other's turns as loud as they are.

    Args:
        bands_db: ``(2, cells, bands)`` band powers in dB.
        activity: who speaks.
        held: ``(2, cells)``, where each microphone holds one value or silence.

    """
    own = activity.own.copy()
    for mic in (0, 1):
        gap = widened(held[mic], 10, 15)
        if not gap.any():
            continue
        power = voice_power(bands_db[1 - mic])
        usual_leak = _typical_db(power[activity.single[mic] & ~gap])
        starts, ends = runs_of(own[1 - mic])
        seeming = number_in(gap, starts, ends) >= SEEMING_SHARE * (ends - starts)
        for start, end in zip(starts[seeming], ends[seeming], strict=True):
            heard = _typical_db(power[start:end])
            if heard is None or usual_leak is None or heard < usual_leak + OVER_LEAK_DB:
                own[1 - mic, start:end] = False
    if (own == activity.own).all():
        return activity
    told = activity_of(own, activity.clusters_db, activity.leak_ratio, activity.cloth)
    return replace(told, pause=activity.pause)  # who speaks into a gap still speaks


def _typical_db(power: Floats) -> float | None:
    """Return the level that the louder third of the cells has, None for very few of them."""
    if len(power) < 10:
        return None
    return float(10 * np.log10(np.percentile(power, 70) + 1e-16))
