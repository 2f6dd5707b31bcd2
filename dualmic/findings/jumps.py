"""A gain that jumps: the level difference between the microphones shifts for every sound alike.

The difference of the two levels is the same whatever is said and however loudly, as long as gains
stand: one value for the first person's voice, one for the second's, one for the room in pauses. A
gain that jumps shifts all of them by as much; a person who turns round shifts their own alone; a
machine that starts shifts the pauses' at most. The moment is where the differences go over from the
one set of values to the other, told by likelihood, so words need not stop for it.
"""

from dataclasses import dataclass, replace

import numpy as np

from dualmic.findings.base import BLOCKS_PER_S
from dualmic.findings.jump_moments import APART, moment_of, of_rests
from dualmic.findings.jump_sound import (
    AGREE_DB,
    ONE_VOICE_LEAST_DB,
    Sound,
    shift_of,
    shift_of_lowest,
    sound_classes,
)
from dualmic.findings.sums import CLASS_ERROR_DB, LEAST_BLOCKS, SIDE, Sums
from dualmic.hearing import Hearing
from dualmic.tiles import Mask, Powers

# All our choices, tuned on simulated scenes.
NEAR_BLOCKS = 3 * BLOCKS_PER_S
STEP_S = 0.25
LEAST_JUMP_DB = 3.5
SURE_DB = 1.8
ALIKE_DB = 1.8
STILL_SHARE = 0.45  # the other microphone's change, at most, beside a gain's
STAYS_SHARE, SURELY = 0.4, 2.0  # of a gain's jump, and a voice has no part in it; its errors
STEEP_SHARE = 0.6  # of a change that two seconds have to show; a lorry takes longer
LESS_DB = 1.0
LEAST_MOVE_DB = 1.0  # a background that does not follow a gain keeps its level by this
NEARLY = 0.8  # as large as the largest shift: taken for the same jump
ONE_VOICE_DB = 8.0  # by so much no one's voice shifts because they turn round
ONE_VOICE_ALIKE_DB = 1.0  # between bands, for less than that
LEAST_TOLD, CERTAIN = 3, 2.5  # bands; times its error that a voice's shift has to be
AT_ONCE, AT_ONCE_SHARE = round(0.6 * BLOCKS_PER_S), 0.75
# By how much all that both microphones hear changes by itself: a room within seconds, a voice from
# word to word, whatever sounds within a tenth of a second; and a density, per dB, for all else.
ROOM_DB, RAISED_DB, BESIDE_DB, BESIDE = 1.0, 2.0, 4.0, 2
LOWEST_DB = 2.0  # where no block holds the background alone, of what single bands hold at least
OTHERWISE = 0.01
PLAINLY = 1.0  # nepers by which it is known whose gain it was
DEAD_SHARE = 0.3
BANDS = slice(3, 7)  # of the blocks' seven: 600 Hz to 7.5 kHz, where no mains hum reaches


@dataclass(frozen=True)
class Jump:
    """One microphone's gain changes by ``by_db`` at ``at_s``, surely not before or after a span.

    Told by the background alone it is not ``sure``.
    ``borne_out``: a voice that stands over the background shifts by as much, or all of the
    background does.
    """

    mic: int
    at_s: float
    by_db: float
    span_s: tuple[float, float]
    sure: bool
    borne_out: bool = False


def find_jumps(hearing: Hearing, blocks: Powers, quiet: Mask) -> list[Jump]:
    """Return the jumps of gain that both microphones' sound shows, in order of time.

    Args:
        hearing: the take.
        blocks: band levels of every 50 ms in dB, ``(2, blocks, bands)``, NaN where nothing is.
        quiet: which blocks hold the background alone.

    """
    bands = blocks[:, :, BANDS]
    jumps = _split(Sound(bands, sound_classes(hearing, bands.mean(axis=2), quiet)))
    if mostly_dead(hearing):  # what differs then says little of a gain
        jumps = [replace(jump, sure=False) for jump in jumps]
    return sorted(jumps, key=lambda jump: jump.at_s)


def mostly_dead(hearing: Hearing) -> bool:
    """Whether a microphone is dead for so much of the take that comparing both says little."""
    return bool(hearing.dead.mean(axis=1).max() > DEAD_SHARE)


def _split(sound: Sound) -> list[Jump]:
    """Find the largest jump of a stretch, then those of its two parts."""
    found = []
    parts = [(0, len(sound.mean))]
    while parts:
        first, end = parts.pop()
        at = np.arange(first + LEAST_BLOCKS, end - LEAST_BLOCKS + 1, round(STEP_S * BLOCKS_PER_S))
        if not len(at):
            continue
        by = shift_of(sound, at, first, end)[0]
        largest = float(np.abs(by).max())
        if largest < LEAST_JUMP_DB:
            continue
        # Few blocks on a side may differ by more than the many do: the better borne out counts.
        borne = np.where(np.abs(by) >= NEARLY * largest, sound.borne_out(at, first, end), 0.0)
        starts = {int(np.argmax(np.abs(by))), int(np.argmax(borne))}
        settled = [_settled(sound, int(at[k]), float(by[k]), first, end) for k in sorted(starts)]
        judged, change, mic, block, span = max(
            settled, key=lambda one: float(sound.borne_out(np.array([one[3]]), first, end)[0])
        )
        if is_gain(sound, judged, (first, end), change):
            sign = -1 if mic == 1 else 1
            _, shift, error = (
                row[..., 0] for row in shift_of(sound, np.array([judged]), first, end)
            )
            heard = np.isfinite(shift)
            proven = bool(heard[2] or heard.all(where=[True, True, False]))  # more than one voice
            proven &= not _voices_stay(shift, error, change)
            sure = proven and _shows_at(sound, mic, block, change)
            sure = sure and abs(first_told(sound, block, change)) >= PLAINLY
            voiced = bool(((error[:2] < SURE_DB) & (np.abs(shift[:2] - change) < AGREE_DB)).any())
            found.append(Jump(mic, block / BLOCKS_PER_S, sign * change, span, sure, voiced))
        parts += [(first, block - APART), (block + APART, end)]
    return found


def _settled(
    sound: Sound, start: int, by: float, first: int, end: int
) -> tuple[int, float, int, int, tuple[float, float]]:
    """Settle on the moment of a jump from a first guess.

    Returns where it shows best, by how much, whose it is, its moment and how early and late.
    """
    judged = block = start
    mic, change = whose(sound, block, by), by
    by_there = float(shift_of(sound, np.array([block]), first, end)[0][0])
    span = (block / BLOCKS_PER_S,) * 2
    for _ in range(2):
        moment = moment_of(sound, mic, block, (first, end), by_there)
        moved = min(max(moment[0], first + 1), end - 1)
        by_there = float(shift_of(sound, np.array([moved]), first, end)[0][0])
        # Nearer to the moment the change shows better, unless too little is left beside it.
        if abs(by_there) > abs(change) - LESS_DB:
            judged, change = moved, by_there
            mic = whose(sound, moved, change)
        elif block != start:
            break
        block, span = moved, (moment[1] / BLOCKS_PER_S, moment[2] / BLOCKS_PER_S)
    return judged, change, mic, block, span


def _shows_at(sound: Sound, mic: int, block: int, by: float) -> bool:
    """Whether what is just before and after shows it: the background, pauses, or both voices."""
    edges = np.array([max(block - SIDE, 0), block, min(block + SIDE, len(sound.mean))])
    rests = of_rests(sound, mic, slice(max(block - APART, 0), block + APART), edges)
    cut = min(block, APART)
    if (rests[:cut] < 0).sum() >= LEAST_BLOCKS and (rests[cut:] > 0).sum() >= LEAST_BLOCKS:
        return True
    for reach in (NEAR_BLOCKS, 2 * NEAR_BLOCKS):  # further off where words fill the first seconds
        near = [
            row.shift(np.array([block]), block - reach, block + reach)[0, 0] / by
            for row in sound.sums
        ]
        shown = [share for share in near if np.isfinite(share)]
        if shown:
            return min(shown) > STEEP_SHARE
    return False


def is_gain(sound: Sound, at: int, ends: tuple[int, int], by: float) -> bool:
    """Whether a gain did it: all bands alike, and either voices too or one microphone only."""
    if abs(by) < LEAST_JUMP_DB:
        return False
    moment = np.array([at])
    _, shift, error = (row[..., 0] for row in shift_of(sound, moment, *ends))
    if _voices_stay(shift, error, by, SURELY):
        return False
    agreeing = (error[:2] < SURE_DB) & (np.abs(shift[:2] - by) < AGREE_DB)
    if not np.isfinite(shift[2]):
        if abs(by) >= ONE_VOICE_LEAST_DB and np.isfinite(shift[:2]).sum() == 1:
            return _one_voice_tells(sound, at, ends, int(np.nanargmin(error[:2])), by)
        return bool(agreeing.all())
    if abs(by) < LEAST_JUMP_DB + 2 * (error[2] - CLASS_ERROR_DB):
        return False
    bands = np.array([row.shift(moment, *ends)[0, 0] for row in sound.bands])
    along = bands * np.sign(by)
    # Where a voice shifts by as much, a part of the background may lie behind the gain.
    behind = agreeing.any() and bool(
        (along > -LEAST_MOVE_DB).all() & (along < abs(by) + AGREE_DB).all()
    )
    if np.std(bands) > ALIKE_DB and not behind:
        return False
    change = [abs(row.shift(moment, *ends)[0, 0]) for row in sound.quiet]
    return bool(agreeing.any() or min(change) <= STILL_SHARE * abs(by))


def _voices_stay(shift: Powers, error: Powers, by: float, surely: float = 0.0) -> bool:
    """Whether the voices that are known take no part, by so many times their error.

    Then it is a background that one microphone hears better, or a gate that opens.
    """
    known = error[:2] < SURE_DB
    reach = np.abs(shift[:2]) + surely * error[:2]
    return bool(known.any() and (reach[known] < STAYS_SHARE * abs(by)).all())


def _one_voice_tells(sound: Sound, at: int, ends: tuple[int, int], voice: int, by: float) -> bool:
    """Whether one voice, the only thing heard on both sides, shifts in all bands alike.

    Who turns round is heard otherwise by the other microphone; less than that is a gain only if it
    comes at once, or if it is the voice's own microphone that changed, in all bands by nearly the
    same.
    """
    moment = np.array([at])

    def shifts(levels: Powers) -> Powers:
        rows = [Sums(np.where(sound.classes[voice], row, np.nan)) for row in levels.T]
        return np.array([row.shift(moment, *ends)[:, 0] for row in rows])

    told = np.array([row.shift(moment, *ends)[:, 0] for row in sound.voices[voice].rows])
    told = told[np.isfinite(told[:, 0])]
    if len(told) < LEAST_TOLD or np.std(told[:, 0]) >= ALIKE_DB:
        return False
    if np.mean(told[:, 1]) * CERTAIN > abs(by):
        return False
    if abs(by) >= ONE_VOICE_DB or _at_once(sound, voice, at, by):
        return True
    own = by if voice == 0 else -by
    here, there = (float(np.mean(shifts(sound.levels[mic])[:, 0])) for mic in (voice, 1 - voice))
    return bool(np.std(told[:, 0]) < ONE_VOICE_ALIKE_DB and abs(here - own) < abs(there + own))


def _at_once(sound: Sound, voice: int, at: int, by: float) -> bool:
    """Whether a voice's differences step within a tenth of a second; a head takes longer."""
    near = [
        row.shift(np.array([at]), at - AT_ONCE, at + AT_ONCE)[0, 0]
        for row in sound.voices[voice].rows
    ]
    return bool(np.isfinite(near).sum() >= LEAST_TOLD and np.nanmedian(near) / by > AT_ONCE_SHARE)


def whose(sound: Sound, block: int, by: float) -> int:
    """Return the microphone whose own levels changed, of whatever is heard on both sides."""
    return 0 if first_told(sound, block, by) > 0 else 1


def first_told(sound: Sound, block: int, by: float) -> float:
    """Return by how many nepers it is the first microphone's level that changed, not the second's.

    By so much one microphone's levels rise, or the other's fall; what else changes them, a room
    that swells or a voice that is raised, changes both microphones' alike.
    """
    at, count = np.array([block]), len(sound.mean)
    room_db = float(np.hypot(ROOM_DB, sound.room.spread(at, 0, count)[0]))
    told = 0.0
    for rows, unrest in ((sound.quiet, room_db), *((rows, RAISED_DB) for rows in sound.spoken)):
        shift, error = np.stack([row.shift(at, 0, count)[:, 0] for row in rows], axis=1)
        if np.isfinite(shift).all():
            told += _first_changed(float(shift.mean()), by, float(np.hypot(unrest, error.max())))
        elif rows is sound.quiet and (lowest := shift_of_lowest(sound, block, by)) is not None:
            told += _first_changed(lowest, by, LOWEST_DB)
    near = sound.levels.mean(axis=2)
    sides = near[:, max(block - BESIDE, 0) : block], near[:, block : block + BESIDE]
    if all(np.isfinite(side).all() and side.shape[1] for side in sides):
        told += _first_changed(float(sides[1].mean() - sides[0].mean()), by, BESIDE_DB)
    return told


def _first_changed(mean_db: float, by: float, unrest_db: float) -> float:
    """Return by how many nepers it is the first microphone that changed, not the second.

    Then the mean of both rises by half of what the first does; else it falls by as much.
    """
    off = (mean_db + np.array([-0.5, 0.5]) * by) / unrest_db
    first, second = np.exp(-0.5 * off**2) / (2.5 * unrest_db) + OTHERWISE
    return float(np.log(first / second))
