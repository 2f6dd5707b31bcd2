"""Where a microphone holds nothing usable although somebody talks.

A microphone counts as dead over a stretch when, while the other microphone hears speech, it hears
nothing of it: neither a voice of its own nor the leak it usually has. Two ways lead there:

- digital silence that lasts to the end of the take or from its start (a pulled plug, a pack whose
  battery went); silence that comes back is a dropout instead;
- steady noise in which the other microphone's speech leaves no trace, although its usual leak (or,
  where the microphone never worked, one of -30 dB) would stand clear of that noise.

A silent interviewer is not a dead microphone: it still hears the subject.
"""

import numpy as np

from dualmic.meters.continuity import HeldRun
from dualmic.meters.masks import bridged, longer, mask_of, moving_mean, runs_of
from dualmic.meters.speech import noise_floor
from dualmic.tiles import Mask, Powers

# Our choices. Five seconds of silence to the end are a dead microphone, not a lost word.
LEAST_S = 5.0
SILENT_DB = -105.0  # band power: no analogue input is that quiet
WINDOW_S = 4.0
LEAST_LEAK_DB = -30.0  # a leak weaker than that in a microphone on the other person is not known
CLEAR_DB = 6.0  # the leak that is missed would stand this far over the noise
TRACE_DB = 1.5  # and the noise rises by less than this while the other one talks


def dead_cells(bands_db: np.ndarray, held: list[list[HeldRun]]) -> Mask:
    """Return ``(2, cells)``: where each microphone holds nothing usable.

    Args:
        bands_db: ``(2, cells, bands)`` band powers in dB.
        held: runs of a held value of each microphone.

    """
    cells = bands_db.shape[1]
    dead = np.zeros((2, cells), bool)
    for mic in (0, 1):
        dead[mic] = _silent(bands_db[mic], held[mic])
        if not dead[mic].all():
            dead[mic] |= _deaf(bands_db, mic, dead[mic])
    return dead


def _silent(bands_db: np.ndarray, held: list[HeldRun]) -> Mask:
    """Where there is silence to the take's end or from its start, for five seconds or more."""
    cells = len(bands_db)
    silent = bands_db.max(axis=1) < SILENT_DB
    for run in held:
        if run.end_s - run.start_s >= 1.0:
            silent |= mask_of(
                np.array([round(run.start_s * 100)]), np.array([round(run.end_s * 100)]), cells
            )
    silent = bridged(silent, 20)
    starts, ends = runs_of(silent)
    lasting = (ends - starts >= LEAST_S * 100) & ((starts <= 50) | (ends >= cells - 50))
    return mask_of(starts[lasting], ends[lasting], cells)


def _deaf(bands_db: np.ndarray, mic: int, silent: Mask) -> Mask:
    """Where the other microphone's speech leaves no trace in this one, though it should."""
    own, other = _voice_power(bands_db[mic]), _voice_power(bands_db[1 - mic])
    floor = noise_floor(other)
    talk = (other > 30 * floor) & ~silent
    length = round(WINDOW_S * 100)
    if talk.sum() < 100 or len(own) < length:
        return np.zeros(len(own), bool)
    quiet = (other < 4 * floor) & ~silent
    with np.errstate(invalid="ignore", divide="ignore"):
        during = _windowed(own, talk, length)
        between = _windowed(own, quiet, length)
        voice = _windowed(other, talk, length)
        rise_db = 10 * np.log10(during / between)
        usual = np.nanpercentile((during - between) / voice, 75) if talk.any() else 0.0
        least = 10 ** (LEAST_LEAK_DB / 10)
        usual = usual if usual > least else least
        missed_db = 10 * np.log10(usual * voice / between)
    deaf = (np.abs(rise_db) < TRACE_DB) & (missed_db > CLEAR_DB)
    return longer(bridged(deaf, length), round(LEAST_S * 100))


def _voice_power(bands_db: np.ndarray) -> Powers:
    """Power from 300 Hz to 4 kHz, smoothed over 50 ms."""
    power = (10 ** (bands_db[:, 1:5].astype(np.float64) / 10)).sum(axis=1)
    return moving_mean(power, 5)


def _windowed(power: Powers, mask: Mask, length: int) -> Powers:
    """Return the mean of ``power`` where ``mask`` in a window round each cell, NaN if too few."""
    count = moving_mean(mask.astype(float), length + 1)
    total = moving_mean(np.where(mask, power, 0.0), length + 1)
    return np.where(count * length >= 20, total / np.maximum(count, 1e-9), np.nan)
