"""What changes for good: a gain that jumps or sets itself, a background that starts or stops.

Every half second the quiet blocks of the seconds before are held against those of the seconds
after, by microphone and band; quiet blocks look through speech. Where they differ lastingly, the
moment is the last block that still holds the lower background (or the first that holds it again).

A machine in the room is heard by both microphones; what a gain moves is found first, see
``jumps.py``.
"""

from dataclasses import dataclass

import numpy as np

from dualmic.findings.automatic import automatic_gain
from dualmic.findings.base import BLOCK_CELLS, Finding, Limits
from dualmic.findings.jumps import LEAST_JUMP_DB, Jump, find_jumps
from dualmic.hearing import Hearing
from dualmic.meters.bands import stretches
from dualmic.meters.masks import cells_of, mask_of
from dualmic.record import Severity
from dualmic.tiles import Mask, Powers

# All our choices, tuned on simulated scenes.
SIDE_S = 3.0  # of quiet on either side, as far as there is so much
LEAST_S = 0.5
STEADY_S, STEADY_DB = 1.5, 8.0  # speech moves more than that within a second and a half
SILENT_DB = -125.0  # a mute, no background
CHANGE_DB = 3.5
BACKGROUND_DB = 6.5  # a cut across less is covered by the voice's own changes
SPLIT_DB = 3.0
APART_DB = 2.0  # the quarters of blocks next to the change keep this far apart
FOLLOW_DB, FOLLOW_BANDS = 1.0, 2  # of the microphone that hears the change less
UNEQUAL_DB = 6.0
STEADY_NOISE_DB = 4.0  # between quartiles: machines and hiss are steady, traffic is not
APART_S = 1.5  # a jump of gain and a change of background nearer than this are one thing
BOTTOM_S, BOTTOM_DB = 6.0, 2.5
BOTTOM_PERCENTILES = (2, 10)
NEAR_S, LEAST_NEAR, STEEP_SHARE = 1.5, 4, 0.6
WIDEST_S = 4.0
SURE_S = 0.1  # how near the moment is known, words before and after it permitting
EDGE_S = 0.95  # what fades in at the start is no change of the background
# Between words some bands fall to the background before others: a quarter of them is enough.
LOW_HALF, LOW_BANDS = -0.4, 0.25
LOW_AGAIN_BLOCKS = 30.0  # one stray quiet block is outweighed by that many others
# A-weighting at the middle of each band, 20 to 100 Hz and the speech bands: IEC 61672-1, rounded.
A_DB = np.array([-26.0, -13.0, -5.5, -1.0, 0.9, 1.2, 0.0])


@dataclass(frozen=True)
class _Change:
    at_s: float
    span_s: tuple[float, float]  # it surely lies within: words may hide the moment
    steep: bool  # shown within seconds: a lorry's swell takes longer
    by_db: Powers  # (2, bands)
    weighted_db: Powers  # (2,)
    known: Mask  # (2,)


def changes(hearing: Hearing, _limits: Limits) -> list[Finding]:
    """Return level jumps and changes of background."""
    blocks = _blocks(hearing)
    automatic = automatic_gain(blocks, hearing.measured.duration_s)
    pumping = {finding.mic for finding in automatic}
    quiet = _quiet(hearing, blocks)
    jumps = [j for j in find_jumps(hearing, blocks, quiet) if j.mic not in pumping]
    found = [
        _of_gain(jump)
        for jump in jumps
        if EDGE_S <= jump.at_s <= hearing.measured.duration_s - EDGE_S
    ]
    for change in _find(blocks, quiet, pumping):
        if not EDGE_S <= change.at_s <= hearing.measured.duration_s - EDGE_S:
            continue
        mean = float(change.weighted_db[change.known].mean())
        if any(abs(jump.at_s - change.at_s) < APART_S for jump in jumps):
            continue
        if _in_the_room(change):
            both = bool(change.known.all())
            where = None if both else int(np.flatnonzero(change.known)[0])
            largest = float(np.nanmax(np.abs(change.weighted_db)))
            plain = change.steep and both and largest >= BACKGROUND_DB and _alike(change)
            severity: Severity = "warn" if plain else "note"
            value = round(float(np.sign(mean)) * largest, 1)
            span = change.span_s[0] - SURE_S, change.span_s[1] + SURE_S
            found.append(
                Finding("background_change", where, *span, severity, value, BACKGROUND_DB, "dB")
            )
    return automatic + found


def _of_gain(jump: Jump) -> Finding:
    first_s, last_s = jump.span_s
    severity: Severity = "warn" if jump.sure else "note"
    value = round(jump.by_db, 1)
    span = first_s - SURE_S, last_s + SURE_S
    return Finding("level_jump", jump.mic, *span, severity, value, LEAST_JUMP_DB, "dB")


def _blocks(hearing: Hearing) -> Powers:
    """Return band levels of every 50 ms in dB, ``(2, blocks, bands)``, NaN where nothing is."""
    bands = hearing.measured.spectra.bands_db
    count = bands.shape[1] // BLOCK_CELLS
    level = np.empty((2, count, bands.shape[2] + 1))
    gone = np.zeros((2, count), bool)
    for stretch in stretches(count * BLOCK_CELLS):
        cut = bands[:, stretch.part].reshape(2, -1, BLOCK_CELLS, bands.shape[2]).astype(np.float32)
        part = slice(stretch.first // BLOCK_CELLS, stretch.end // BLOCK_CELLS)
        level[:, part, 1:] = 10 * np.log10((10 ** (cut / 10)).mean(axis=2))
        gone[:, part] = cut.max(axis=3).min(axis=2) < SILENT_DB
    gone |= level[:, :, 1:].max(axis=2) < SILENT_DB
    held = [
        cells_of([(r.start_s, r.end_s) for r in runs], bands.shape[1])
        for runs in hearing.measured.held
    ]
    dead = (hearing.dead | np.stack(held))[:, : count * BLOCK_CELLS]
    gone |= dead.reshape(2, count, BLOCK_CELLS).any(axis=2)
    low = hearing.measured.spectra.noise_bands[:, 1 : count + 1, 0].astype(np.float64)
    low = np.pad(low, ((0, 0), (0, count - low.shape[1])), mode="edge")
    level[:, :, 0] = 10 * np.log10(low + 1e-16)
    level[gone] = np.nan
    return level


def _quiet(hearing: Hearing, blocks: Powers) -> Mask:
    """Return the blocks that hold the background alone, ``(blocks,)``.

    Those are pauses, what hardly moves for longer than speech ever keeps its level, and between
    words the blocks at the bottom of a few seconds, where enough of them lie close together.
    """
    count = blocks.shape[1]
    pause = hearing.activity.pause[: count * BLOCK_CELLS].reshape(count, BLOCK_CELLS).all(axis=1)
    weighted = _total_db(blocks, A_DB)
    level = np.where(np.isfinite(weighted), weighted, np.inf)
    level[np.isinf(level).all(axis=1)] = 0.0  # a microphone that is dead throughout says nothing
    quiet: Mask = np.array(pause, bool)
    length = int(STEADY_S * 100) // BLOCK_CELLS
    if count >= length:
        windows = np.lib.stride_tricks.sliding_window_view(level, length, axis=1)
        with np.errstate(invalid="ignore"):
            wide = windows.max(axis=2) - windows.min(axis=2) < STEADY_DB
        starts = np.flatnonzero(wide.all(axis=0))
        quiet |= mask_of(starts, starts + length, count)
    length = int(BOTTOM_S * 100) // BLOCK_CELLS
    for start in range(0, count - length + 1, length // 6):
        part = level[:, start : start + length]
        lowest, low = np.percentile(part, BOTTOM_PERCENTILES, axis=1, method="lower")
        if np.isfinite(low).all() and (low - lowest < BOTTOM_DB).all():
            quiet[start : start + length] |= (part <= low[:, None] + 1.0).all(axis=0)
    heard: Mask = np.asarray(np.isfinite(weighted).any(axis=0))
    return quiet & heard


def _find(blocks: Powers, quiet: Mask, pumping: set[int | None]) -> list[_Change]:
    """Split the quiet blocks at the largest change, then each side again."""
    at = np.flatnonzero(quiet)
    levels = blocks[:, at]
    weighted = _measures(levels)
    for mic in pumping:
        weighted[mic::2] = np.nan
    found: list[_Change] = []
    parts = [(0, len(at))]
    while parts:
        first, end = parts.pop()
        split = _split(weighted[:, first:end])
        if split is None:
            continue
        change = _change(blocks, levels, weighted, at, (first, first + split, end))
        if change is not None:
            found.append(change)
        parts += [(first, first + split), (first + split, end)]
    return sorted(found, key=lambda each: each.at_s)


def _split(weighted: Powers) -> int | None:
    """Return where the means of up to three seconds on either side differ most, if by enough."""
    count = weighted.shape[1]
    most, least = (int(s * 100) // BLOCK_CELLS for s in (SIDE_S, LEAST_S))
    if count < 2 * least:
        return None
    live = np.isfinite(weighted)
    zero = np.zeros((len(weighted), 1))
    total = np.concatenate([zero, np.cumsum(np.where(live, weighted, 0), axis=1)], axis=1)
    number = np.concatenate([zero, np.cumsum(live, axis=1)], axis=1)
    k = np.arange(least, count - least + 1)
    low, high = np.maximum(k - most, 0), np.minimum(k + most, count)
    with np.errstate(invalid="ignore", divide="ignore"):
        before = (total[:, k] - total[:, low]) / (number[:, k] - number[:, low])
        after = (total[:, high] - total[:, k]) / (number[:, high] - number[:, k])
    size = np.nan_to_num(np.abs(after - before), nan=0.0).max(axis=0)
    best = int(np.argmax(size))
    return int(k[best]) if size[best] >= SPLIT_DB else None


def _change(
    blocks: Powers, levels: Powers, weighted: Powers, at: np.ndarray, parts: tuple[int, int, int]
) -> _Change | None:
    """Describe the change at quiet block ``parts[1]``; None if the two sides are not two levels."""
    first, split, end = parts
    most, least = (int(s * 100) // BLOCK_CELLS for s in (SIDE_S, LEAST_S))
    sides = slice(max(split - most, first), split), slice(split, min(split + most, end))
    before, after = (np.median(levels[:, side], axis=1) for side in sides)
    rows = _measures(after) - _measures(before)
    rows[np.isnan(weighted).all(axis=1)] = np.nan
    if not np.isfinite(rows).any() or np.nanmax(np.abs(rows)) < CHANGE_DB:
        return None
    row = int(np.nanargmax(np.abs(rows)))
    change = rows[row // 2 * 2 : row // 2 * 2 + 2]
    known = np.isfinite(change)
    quartiles = [np.percentile(weighted[row, side], [25, 75]) for side in sides]
    lower, upper = quartiles if rows[row] > 0 else quartiles[::-1]
    if lower[1] > upper[0] - APART_DB or upper[1] - upper[0] > STEADY_NOISE_DB:
        return None
    near = at[max(split - least, first)], at[min(split + least, end) - 1] + 1
    moment = _moment(blocks, before, after, change, *near)
    widest = round(WIDEST_S * 100) // BLOCK_CELLS
    ends = moment, moment
    if rows[row] > 0:  # after the last low block, before the first pause with the louder background
        ends = moment, int(np.clip(at[split], moment, moment + widest))
    else:
        ends = int(np.clip(at[split - 1], moment - widest, moment)), moment
    span = ends[0] * BLOCK_CELLS / 100, ends[1] * BLOCK_CELLS / 100
    steep = _is_steep(weighted[row], at, split, float(rows[row]))
    return _Change(moment * BLOCK_CELLS / 100, span, steep, after - before, change, known)


def _is_steep(level: Powers, at: np.ndarray, split: int, by: float) -> bool:
    """Whether the nearest quiet blocks, not long apart, show most of the change."""
    reach = round(NEAR_S * 100) // BLOCK_CELLS
    before = level[(at < at[split]) & (at >= at[split - 1] - reach)][-reach:]
    after = level[(at >= at[split]) & (at < at[split] + reach)][:reach]
    apart = at[split] - at[split - 1]
    if apart > reach or min(len(before), len(after)) < LEAST_NEAR:
        return False
    return bool((np.median(after) - np.median(before)) / by > STEEP_SHARE)


def _measures(levels_db: Powers) -> Powers:
    """Return the level of each microphone A-weighted (rows 0 and 1) and flat (rows 2 and 3)."""
    return np.concatenate([_total_db(levels_db, A_DB), _total_db(levels_db, np.zeros(len(A_DB)))])


def _total_db(levels_db: Powers, weights_db: Powers) -> Powers:
    """Return the level of all bands together, each weighted; ``(..., bands)`` to ``(...)``."""
    total = np.zeros(levels_db.shape[:-1])
    for band, weight_db in enumerate(weights_db):
        total += 10 ** ((levels_db[..., band] + weight_db) / 10)
    return 10 * np.log10(total)


def _moment(
    blocks: Powers, before: Powers, after: Powers, weighted: Powers, first: int, last: int
) -> int:
    """Return the block at which the change happens."""
    by = np.where(np.isfinite(weighted)[:, None], after - before, 0.0)
    use = np.abs(by) >= 0.6 * np.abs(by).max()
    rising = by[use].mean() > 0
    half = np.maximum(np.abs(by[use]) / 2, 0.5)
    middle = ((after + before) / 2)[use]
    scaled = (blocks[:, first:last].transpose(0, 2, 1)[use] - middle[:, None]) / half[:, None]
    with np.errstate(invalid="ignore"):
        low = (scaled < LOW_HALF).mean(axis=0) >= LOW_BANDS
    vote = np.where(low, 1.0, -1.0 / LOW_AGAIN_BLOCKS)
    if rising:
        return first + int(np.argmax(np.concatenate([[0.0], np.cumsum(vote)])))
    return last - int(np.argmax(np.concatenate([[0.0], np.cumsum(vote[::-1])])))


def _in_the_room(change: _Change) -> bool:
    """Whether both microphones hear the change, as far as both are known.

    A hum or a hiss of its own may mask it in one of them: there, some bands have to follow.
    """
    known = change.weighted_db[change.known]
    if np.all(np.sign(known) == np.sign(known[0])) and np.abs(known).min() >= CHANGE_DB:
        return True
    quieter = int(np.argmin(np.abs(change.weighted_db)))
    same_way = change.by_db[quieter] * np.sign(change.weighted_db[1 - quieter])
    return bool((same_way >= FOLLOW_DB).sum() >= FOLLOW_BANDS and same_way.min() > -FOLLOW_DB)


def _alike(change: _Change) -> bool:
    """Whether both microphones hear about the same change: a hum of one alone is no room's."""
    return bool(
        np.abs(np.diff(change.weighted_db)) <= UNEQUAL_DB
        and np.abs(change.weighted_db).min() >= CHANGE_DB
    )
