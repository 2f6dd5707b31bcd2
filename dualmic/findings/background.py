"""Background against speech: too much noise, speech recorded too quietly."""

import numpy as np

from dualmic.findings.base import Finding, Limits
from dualmic.findings.jumps import mostly_dead
from dualmic.hearing import Hearing
from dualmic.meters.noise import LEAST_S, SILENCE_POWER
from dualmic.meters.spectrum import FRAMES_PER_S, frame_mask
from dualmic.record import Severity
from dualmic.tiles import power_db

# Our choice: what spreads wider in the pauses holds more than one background, or a voice.
UNSTEADY_DB = 12.0
# Our choice: where the other microphone is dead and one voice is all that could be told, it may be
# both people's, and the wearer's own is louder by about this.
DEAD_ERROR_DB = 5.0
# Our choices, for takes without pauses: of a take with some, a fiftieth surely lies in them.
QUIETEST_PERCENTILE, MUTED_SHARE = 2.0, 0.02
# Our choices: less speech may be anything; at the gate of -70 LUFS its peaks lie far under this.
LEAST_SPEECH_S, QUIETEST_DBFS = 3.0, -45.0


def noise(hearing: Hearing, limits: Limits) -> list[Finding]:
    """Return microphones whose background is too high against their wearer's speech."""
    found = []
    for mic in (0, 1):
        ratio = hearing.speech_to_noise_db[mic]
        warn, fail = limits.noise_warn_db, limits.noise_fail_db
        if ratio is None:
            ratio = _most_over_noise_db(hearing, mic)
        if ratio is None or warn is None or ratio >= warn:
            continue
        failing = fail is not None and ratio < fail
        severity: Severity = "fail" if failing and mic == 1 else "warn"
        floor = hearing.floors[mic]
        # A mean over what nine tenths of the pauses stay under is made by something rare.
        if floor is not None and (
            floor.p90_dbfs - floor.p10_dbfs > UNSTEADY_DB or floor.dbfs > floor.p90_dbfs
        ):
            steady_db = ratio + floor.dbfs - floor.p10_dbfs
            severity = "note" if steady_db >= warn else severity
        one_voice = not hearing.activity.own.any(axis=1).all()
        if ratio >= warn - DEAD_ERROR_DB and one_voice and mostly_dead(hearing):
            severity = "note"
        found.append(
            Finding(
                "noise",
                mic,
                0.0,
                hearing.measured.duration_s,
                severity,
                round(ratio, 1),
                fail if failing else warn,
                "dB",
            )
        )
    return found


def _most_over_noise_db(hearing: Hearing, mic: int) -> float | None:
    """Return how far the wearer's speech stands over the quietest moments of all, A-weighted.

    A crowd so loud that it passes for speech leaves no pause to measure in. Its own quietest
    moments are no lower than a few decibels under it; words alone fall much further.
    """
    weighted = hearing.measured.spectra.a_weighted[mic]
    frames = len(weighted)
    live = ~frame_mask(hearing.dead[mic], frames, whole=False)
    heard = live & (weighted > SILENCE_POWER)
    own = heard & frame_mask(hearing.activity.own[mic], frames)
    # A microphone that mutes itself has its pauses, if none that can be measured.
    muted = live.sum() - heard.sum() > MUTED_SHARE * live.sum()
    if muted or own.sum() < LEAST_S * FRAMES_PER_S:
        return None
    quietest = np.percentile(weighted[heard], QUIETEST_PERCENTILE)
    return float(power_db(weighted[own].mean(dtype=np.float64) / quietest))


def low_level(hearing: Hearing, limits: Limits) -> list[Finding]:
    """Return microphones whose speech needs more gain than the recording bears."""
    found = []
    for mic in (0, 1):
        gain = limits.gain_db[mic]
        at_least = gain is None and _is_under_the_gate(hearing, mic)
        gain = limits.least_gain_db if at_least else gain
        if gain is None or limits.gain_warn_db is None or gain <= limits.gain_warn_db:
            continue
        failing = limits.gain_fail_db is not None and gain > limits.gain_fail_db
        severity: Severity = "fail" if failing and mic == 1 else "warn"
        limit = limits.gain_fail_db if failing else limits.gain_warn_db
        found.append(
            Finding(
                "low_level",
                mic,
                0.0,
                hearing.measured.duration_s,
                severity,
                round(gain, 1),
                limit,
                "dB",
                facts={"at_least": at_least},
            )
        )
    return found


def _is_under_the_gate(hearing: Hearing, mic: int) -> bool:
    """Whether somebody speaks so quietly that no block of it counts to loudness (BS.1770-5)."""
    peak = hearing.speech_peak_dbfs[mic]
    return hearing.speech_s(mic) >= LEAST_SPEECH_S and peak is not None and peak < QUIETEST_DBFS
