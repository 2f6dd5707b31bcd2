"""What changes for good: a gain that jumps or sets itself, a background that starts or stops.

A machine in the room is heard by both microphones, see ``machines.py``; what a gain moves is found
first, see ``jumps.py``.
"""

from dataclasses import replace

import numpy as np

from dualmic.findings.automatic import PAUSE_OVER_DB, automatic_gain, pause_rises
from dualmic.findings.base import BLOCK_CELLS, BLOCKS_PER_S, Finding, Limits, in_blocks
from dualmic.findings.gain_scan import find_gain_rises
from dualmic.findings.gain_steps import with_gain_rises
from dualmic.findings.jumps import LEAST_JUMP_DB, Jump, find_jumps
from dualmic.findings.machines import find_machines
from dualmic.findings.moments import SURE_S
from dualmic.findings.parts import parts_of
from dualmic.findings.quiet_steps import a_weighted_db
from dualmic.findings.tones import with_tones
from dualmic.hearing import Hearing
from dualmic.meters.bands import stretches
from dualmic.meters.masks import mask_of, runs_of, widened
from dualmic.record import Severity
from dualmic.tiles import Mask, Powers

# All our choices, tuned on simulated scenes.
STEADY_S, STEADY_DB = 1.5, 8.0  # speech moves more than that within a second and a half
# So far over the quietest of the seconds around, what is steady is a vowel that somebody holds.
HELD_DB, AROUND, AROUND_PERCENTILE = 20.0, 7 * BLOCKS_PER_S, 15
SILENT_DB = -125.0  # a mute, no background
APART_S = 1.5  # a jump of gain and a change of background nearer than this are one thing
BOTTOM_S, BOTTOM_DB = 6.0, 2.5
BOTTOM_PERCENTILES = (2, 10)
PLAIN_JUMP_DB = 5.0  # people move, and backgrounds swell, by nearly as much
SIDE_S = 1.5  # a background heard for less may have been about to fade in, or away
EDGE_S = 0.95  # what fades in at the start is no change of the background


def changes(hearing: Hearing, _limits: Limits) -> list[Finding]:
    """Return level jumps and changes of background."""
    rises: list[list[Powers]] = [[], []]
    for part in parts_of(hearing):
        blocks = _blocks(part.hearing)
        talk = _talk(part.hearing, blocks)
        for mic in (0, 1):
            rises[mic].append(pause_rises(blocks, mic, talk & is_unheard(hearing, mic)))
    found = automatic_gain([np.concatenate(each) for each in rises], hearing.measured.duration_s)
    pumping = {finding.mic for finding in found}
    for part in parts_of(hearing):
        # Of many parts, blocks are made again rather than kept.
        known = blocks if part.hearing is hearing else _blocks(part.hearing)
        found += part.own(_changes(part.hearing, known, pumping))
    return with_tones(hearing, found)


def _changes(hearing: Hearing, blocks: Powers, pumping: set[int | None]) -> list[Finding]:
    """Return those of one part; ``pumping`` are the microphones whose gain sets itself."""
    quiet = _quiet(hearing, blocks)
    heard = blocks.copy()
    for mic in pumping:
        heard[mic] = np.nan
    talk = _talk(hearing, blocks)
    pause: Mask = np.all(in_blocks(hearing.activity.pause, blocks.shape[1]), axis=1)
    # Where both channels hold one microphone, their difference is none of a gain.
    shared: Mask = np.any(in_blocks(hearing.shared, blocks.shape[1]), axis=1)
    apart = np.where(shared[:, None], np.nan, blocks)
    jumps = [j for j in find_jumps(hearing, apart, quiet) if j.mic not in pumping]
    rises = find_gain_rises(heard, talk, pause)
    jumps = with_gain_rises(hearing, jumps, rises, heard, quiet)
    if pumping:  # the differences between the microphones then move by themselves
        jumps = [replace(jump, sure=False) for jump in jumps]
    end_s = hearing.measured.duration_s - EDGE_S
    rooms = [
        (at_s, finding)
        for at_s, finding in find_machines(heard, quiet, talk, pause)
        if EDGE_S <= at_s <= end_s
    ]
    # What both microphones hear is the room, unless a gain is sure to have jumped there; no room
    # shifts a voice that stands over it.
    jumps = [
        jump
        for jump in jumps
        if EDGE_S <= jump.at_s <= end_s
        and (
            jump.sure
            or jump.borne_out
            or not any(f.mic is None and abs(jump.at_s - at_s) < APART_S for at_s, f in rooms)
        )
    ]
    found = [_of_gain(jump) for jump in jumps]
    found += [
        finding
        for at_s, finding in rooms
        if not any(abs(jump.at_s - at_s) < APART_S for jump in jumps)
    ]
    return [_surely(finding, hearing) for finding in found]


def _talk(hearing: Hearing, blocks: Powers) -> Mask:
    """Return the blocks that hold anybody's speech, ``(blocks,)``."""
    talk: Mask = np.any(in_blocks(hearing.activity.own, blocks.shape[1]), axis=(0, 2))
    return talk


def is_unheard(hearing: Hearing, mic: int) -> bool:
    """Whether the other microphone hardly hears this one's wearer: its pauses are not theirs."""
    leak, to_noise = hearing.leaks[mic].level, hearing.speech_to_noise_db[mic]
    floor, others = hearing.floors[mic], hearing.floors[1 - mic]
    if leak is None or leak.is_upper_bound:
        return True
    if to_noise is None or floor is None or others is None:
        return False
    return floor.dba + to_noise + leak.level_db < others.dba + PAUSE_OVER_DB


def _surely(finding: Finding, hearing: Hearing) -> Finding:
    """Return a finding; as a note where too little of the take lies on one side of it to tell."""
    sides_s = finding.end_s, hearing.measured.duration_s - finding.start_s
    return replace(finding, severity="note") if min(sides_s) < SIDE_S else finding


def _of_gain(jump: Jump) -> Finding:
    first_s, last_s = jump.span_s
    plain = jump.sure and abs(jump.by_db) >= PLAIN_JUMP_DB
    severity: Severity = "warn" if plain else "note"
    value = round(jump.by_db, 1)
    span = first_s - SURE_S, last_s + SURE_S
    return Finding("level_jump", jump.mic, *span, severity, value, LEAST_JUMP_DB, "dB")


def _blocks(hearing: Hearing) -> Powers:
    """Return band levels of every 50 ms in dB, ``(2, blocks, bands)``, NaN where nothing is.

    The speech bands, under them what lies below 100 Hz, and over them what lies above 8 kHz, where
    a voice leaves the background alone but for its sibilants; at low rates nothing is there.
    """
    bands = hearing.measured.spectra.bands_db
    count = bands.shape[1] // BLOCK_CELLS
    high = _noise_band(hearing, -1, count)
    has_high = count > 0 and bool((np.median(high, axis=1) > SILENT_DB).all())
    level = np.empty((2, count, bands.shape[2] + 1 + has_high))
    gone = np.zeros((2, count), bool)
    for stretch in stretches(count * BLOCK_CELLS):
        cut = bands[:, stretch.part].reshape(2, -1, BLOCK_CELLS, bands.shape[2]).astype(np.float32)
        part = slice(stretch.first // BLOCK_CELLS, stretch.end // BLOCK_CELLS)
        level[:, part, 1 : bands.shape[2] + 1] = 10 * np.log10((10 ** (cut / 10)).mean(axis=2))
        gone[:, part] = cut.max(axis=3).min(axis=2) < SILENT_DB
    gone |= level[:, :, 1 : bands.shape[2] + 1].max(axis=2) < SILENT_DB
    lost = hearing.dead | hearing.measured.held_cells()
    # Frames of a tenth of a second reach into what lies beside them.
    lost |= np.stack([widened(row, BLOCK_CELLS, BLOCK_CELLS) for row in hearing.shut])
    gone |= in_blocks(lost, count).any(axis=2)
    level[:, :, 0] = _noise_band(hearing, 0, count)
    if has_high:
        level[:, :, -1] = high
    level[gone] = np.nan
    return level


def _noise_band(hearing: Hearing, band: int, count: int) -> Powers:
    """Return the level of one of the noise bands in every block, ``(2, blocks)``, in dB."""
    power = hearing.measured.spectra.noise_bands[:, 1 : count + 1, band].astype(np.float64)
    power = np.pad(power, ((0, 0), (0, count - power.shape[1])), mode="edge")
    return 10 * np.log10(power + 1e-16)


def _quiet(hearing: Hearing, blocks: Powers) -> Mask:
    """Return the blocks that hold the background alone, ``(blocks,)``.

    Those are pauses, what hardly moves for longer than speech ever keeps its level, and between
    words the blocks at the bottom of a few seconds, where enough of them lie close together.
    """
    count = blocks.shape[1]
    pause = in_blocks(hearing.activity.pause, count).all(axis=1)
    weighted = a_weighted_db(blocks)
    level = np.where(np.isfinite(weighted), weighted, np.inf)
    level[np.isinf(level).all(axis=1)] = 0.0  # a microphone that is dead throughout says nothing
    quiet: Mask = np.array(pause, bool)
    quiet |= steady(level)
    length = int(BOTTOM_S * 100) // BLOCK_CELLS
    ranks = [(length - 1) * percent // 100 for percent in BOTTOM_PERCENTILES]
    for start in range(0, count - length + 1, length // 6):
        part = level[:, start : start + length]
        lowest, low = np.sort(part, axis=1)[:, ranks].T
        if np.isfinite(low).all() and (low - lowest < BOTTOM_DB).all():
            quiet[start : start + length] |= (part <= low[:, None] + 1.0).all(axis=0)
    heard: Mask = np.asarray(np.isfinite(weighted).any(axis=0))
    return quiet & heard


def steady(level_db: Powers) -> Mask:
    """Return the blocks in which a background may be heard that hardly moves, ``(blocks,)``.

    ``level_db`` is ``(2, blocks)``, infinite where a microphone is gone.
    """
    count, length = level_db.shape[1], round(STEADY_S * BLOCKS_PER_S)
    found = np.zeros(count, bool)
    if count < length:
        return found
    windows = np.lib.stride_tricks.sliding_window_view(level_db, length, axis=1)
    with np.errstate(invalid="ignore"):
        wide = windows.max(axis=2) - windows.min(axis=2) < STEADY_DB
    starts = np.flatnonzero(wide.all(axis=0))
    for first, end in zip(*runs_of(mask_of(starts, starts + length, count)), strict=True):
        around = level_db[:, max(first - AROUND, 0) : end + AROUND]
        lowest = np.percentile(around, AROUND_PERCENTILE, axis=1, method="lower")
        is_held = np.median(level_db[:, first:end], axis=1) - lowest > HELD_DB
        found[first:end] = not is_held.any()
    return found
