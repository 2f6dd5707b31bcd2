"""What the measurements mean once it is known who speaks: the layer between meters and judgement.

Row 0 is the interviewer's microphone, row 1 the subject's, as in :class:`dualmic.measure.Measured`.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dualmic.dead_mics import dead_cells, with_dead_mics, without_gaps
from dualmic.measure import Measured
from dualmic.meters.clipping import clipped_frames
from dualmic.meters.corners import crowded
from dualmic.meters.crosstalk import (
    Arrival,
    LeakLevel,
    arrival,
    classes_beyond,
    leak_level,
    leak_sections,
    pause_power,
)
from dualmic.meters.gains import GainStep, steady_power, without_gains
from dualmic.meters.gates import Gates, without_gates
from dualmic.meters.levels import level_exceeded_dbfs
from dualmic.meters.masks import mask_of
from dualmic.meters.noise import NoiseFloor, noise_floor, speech_to_noise_db
from dualmic.meters.spectrum import frame_mask
from dualmic.meters.speech import Activity, find_speech
from dualmic.meters.top_ceilings import square_frames
from dualmic.stack import kept, let_go
from dualmic.tiles import CELLS_PER_TILE, Floats, Mask, Powers
from dualmic.unwanted import Unwanted, find_unwanted

LEAST_ROOM_S = 0.5  # our choice: of a room between words and a gate that shuts, to 1 dB
LEAST_APART_CELLS = 300  # our choice: three seconds of each person tell their level
TOP_SHARE = 0.001  # the loudest 0.1 % of a person's speech samples are left out (common practice)


@dataclass(frozen=True)
class HeardLeak:
    """One person's voice in the other microphone."""

    level: LeakLevel | None
    sections: list[tuple[float, float, float]]
    arrival: Arrival | None


@dataclass(frozen=True)
class Hearing:
    """Who speaks, and everything that depends on it; lists and rows go by microphone.

    ``bands_db`` are the measured band levels with all ``gains`` undone, steps known to be sure, and
    the room in them where a gate is ``shut``, ``(2, cells)``;
    ``dual_mono`` is (first cell, cell after, residual in dB) of each stretch that is one signal;
    ``shared`` those cells, none where too little is left without them: both channels hold everybody
    there, so no level in them is one person's.
    """

    measured: Measured
    gains: Sequence[GainStep]
    bands_db: np.ndarray
    activity: Activity
    dead: Mask
    shut: Mask
    dual_mono: list[tuple[int, int, float]]
    shared: Mask
    clipped: Sequence[np.ndarray]
    floors: list[NoiseFloor | None]
    speech_to_noise_db: list[float | None]
    speech_peak_dbfs: list[float | None]
    leaks: list[HeardLeak]
    unwanted: Unwanted

    @property
    def turns(self) -> list[tuple[int, float, float]]:
        """(microphone, start_s, end_s) of every turn, in order."""
        return self.activity.turns

    def speech_s(self, mic: int) -> float:
        """How long the wearer of ``mic`` speaks."""
        return float(self.activity.own[mic].sum()) / 100


def hear(measured: Measured, *, one_mic: bool = False, gains: Sequence[GainStep] = ()) -> Hearing:
    """Find who speaks and work out all that depends on it.

    Args:
        measured: the take.
        one_mic: both people share one microphone.
        gains: steps of gain that are known to be in it.

    """
    bands = measured.spectra.bands_db
    none = np.zeros(bands.shape[:2], bool)
    dual_mono = [] if one_mic else measured.width.dual_mono(_offsets(measured))
    doubled = _doubled(dual_mono, bands.shape[1])
    if one_mic:
        dead, gates = none, Gates(none, none)
    else:
        bands, gates = without_gates(bands)
        unasked = gates.shut | doubled
        dead = kept(dead_cells(bands, measured.held, unasked, measured.spectra.noise_bands))
    held = kept(measured.held_cells())
    gone = kept(dead | held)
    let_go()
    bands = without_gains(bands, gains)
    sums = measured.spectra.cross
    if sums is None or one_mic:
        activity = find_speech(bands, gone)
    else:
        activity = find_speech(bands, gone, sums.arrivals, sums.phases)
    let_go()
    activity = without_gaps(bands, activity, held & ~dead)
    if dead.any():
        activity = with_dead_mics(bands, activity, dead)
    let_go()
    clipped = [_clipped(measured, mic) for mic in (0, 1)]
    let_go()
    frames = measured.spectra.audible.shape[1]
    pauses = frame_mask(activity.pause, frames)
    unwanted = find_unwanted(measured, activity, dead, gates.shut)
    let_go()
    shared = _shared(dual_mono, activity)
    unfit = dead | held | unwanted.cells(measured.cells) | shared
    floors, to_noise, peaks = [], [], []
    for mic in (0, 1):
        live = pauses & ~frame_mask(unfit[mic], frames, whole=False)
        heard = measured.spectra.audible[mic], measured.spectra.a_weighted[mic]
        floor = None
        if gates.shut[mic].any():  # the room is heard for moments, before the gate shuts
            opened = live & ~frame_mask(gates.shut[mic], frames, whole=False)
            opened |= frame_mask(gates.room[mic] & ~unfit[mic], frames)
            floor = noise_floor(*heard, opened, LEAST_ROOM_S)
        floor = floor or noise_floor(*heard, live)
        own = activity.own[mic] & ~dead[mic] & ~shared
        own_frames = frame_mask(own & ~activity.own[1 - mic], frames)
        floors.append(floor)
        to_noise.append(speech_to_noise_db(measured.spectra.a_weighted[mic], own_frames, floor))
        tiles = own[: len(own) // CELLS_PER_TILE * CELLS_PER_TILE].reshape(-1, CELLS_PER_TILE)
        peaks.append(
            level_exceeded_dbfs(measured.levels.peak_counts[mic], tiles.all(axis=1), TOP_SHARE)
        )
        let_go()
    power = [
        steady_power(row, activity.own[mic, : len(row)], gains, mic)
        for mic, row in enumerate(measured.loudness.power)
    ]
    leaks = [_leak(measured, power, activity, unfit, mic) for mic in (0, 1)]
    let_go()
    return Hearing(
        measured=measured,
        gains=gains,
        bands_db=bands,
        activity=activity,
        dead=dead,
        shut=gates.shut,
        dual_mono=dual_mono,
        shared=shared,
        clipped=clipped,
        floors=floors,
        speech_to_noise_db=to_noise,
        speech_peak_dbfs=peaks,
        leaks=leaks,
        unwanted=unwanted,
    )


def _clipped(measured: Measured, mic: int) -> np.ndarray:
    """Return the clipped frames of each cell, by runs of equal samples, by shape and corners."""
    frames = clipped_frames(
        measured.tops,
        mic,
        is_float=measured.is_float,
        peak=measured.levels.peak[mic],
        shapes=measured.shapes,
        rate_hz=measured.rate_hz,
    )[: measured.cells]
    shaped = square_frames(measured.shapes, mic, frames)
    np.maximum(shaped, frames, out=shaped)
    corners = crowded(measured.shapes.corner_frames[mic])[: len(shaped)]
    np.maximum(shaped[: len(corners)], corners, out=shaped[: len(corners)])
    return kept(shaped)


def _offsets(measured: Measured) -> tuple[float, float]:
    first, second = (float(offset) for offset in measured.levels.dc_offset)
    return first, second


def _doubled(dual_mono: list[tuple[int, int, float]], cells: int) -> Mask:
    """Return the cells in which both channels hold one signal, ``(cells,)``."""
    starts, ends = (np.array([s[k] for s in dual_mono], np.int64) for k in (0, 1))
    return mask_of(starts, ends, cells)


def _shared(dual_mono: list[tuple[int, int, float]], activity: Activity) -> Mask:
    """Return the cells of dual mono, if enough of everybody who speaks lies outside them."""
    cells = activity.own.shape[1]
    shared = _doubled(dual_mono, cells)
    apart = [int((own & ~shared).sum()) for own in activity.own if own.any()]
    return shared if min(apart, default=0) >= LEAST_APART_CELLS else np.zeros(cells, bool)


def _leak(
    measured: Measured, power: Sequence[Powers | Floats], activity: Activity, unfit: Mask, mic: int
) -> HeardLeak:
    """Measure the voice of ``mic``'s wearer in the other microphone.

    ``power``: K-weighted cell powers of both microphones, gains that were turned undone.
    """
    other = 1 - mic
    gone = unfit[0] | unfit[1]
    own, there = power[mic], power[other]
    single = activity.single[mic][: len(own)] & ~gone[: len(own)]
    pause = activity.pause[: len(own)] & ~gone[: len(own)]
    noise = [pause_power(row, pause) for row in (own, there)]
    level = leak_level(own, there, single, *noise)
    turns = [(start_s, end_s) for speaker, start_s, end_s in activity.turns if speaker == mic]
    sections = leak_sections(own, there, single, pause, turns, *noise)
    found = None
    sums = measured.spectra.cross
    here, across = activity.clusters_db[mic], activity.clusters_db[other]
    if sums is not None and here is not None and level is not None:
        threshold = here - 6.0 * (1 - 2 * mic) if across is None else (here + across) / 2
        apart = 12.0 if across is None else abs(here - across)
        classes = classes_beyond(
            threshold, apart, above=mic == 0, differences_db=sums.differences_db()
        )
        found = arrival(sums, classes, measured.rate_hz, voice_is_first=mic == 0)
    return HeardLeak(level, sections, found)
