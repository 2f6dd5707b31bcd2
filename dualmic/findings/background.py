"""Background against speech: too much noise, speech recorded too quietly, hum."""

import numpy as np

from dualmic.findings.base import Finding, Limits
from dualmic.findings.jumps import mostly_dead
from dualmic.hearing import Hearing
from dualmic.meters.hum import GROUP, HEARD_LINE_DB, HumLines, find_hum
from dualmic.meters.masks import bridged, runs_of
from dualmic.meters.noise import LEAST_S, SILENCE_POWER
from dualmic.meters.spectrum import FRAMES_PER_S, a_weighting_db, frame_mask
from dualmic.record import Severity
from dualmic.stack import pieces
from dualmic.tiles import power_db

# Our choice: a hum that can be heard matters once it is less than 60 dB under the speech,
# A-weighted: a quiet room's own background lies there.
HUM_UNDER_SPEECH_DB = 60.0
# Our choice: what spreads wider in the pauses holds more than one background, or a voice.
UNSTEADY_DB = 12.0
# Our choice: where the other microphone is dead and one voice is all that could be told, it may be
# both people's, and the wearer's own is louder by about this.
DEAD_ERROR_DB = 5.0
# Our choices, for takes without pauses: of a take with some, a fiftieth surely lies in them.
QUIETEST_PERCENTILE, MUTED_SHARE = 2.0, 0.02
# Our choices: less speech may be anything; at the gate of -70 LUFS its peaks lie far under this.
LEAST_SPEECH_S, QUIETEST_DBFS = 3.0, -45.0
_TOGETHER = 360  # groups, an hour of them, of no influence on results
OFF_MAINS_HZ = 1.0  # our choice: no grid strays that far, and weak hum is read to a tenth of it


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


def steady_hum(hearing: Hearing, mic: int, mains_hz: float | None = None) -> HumLines | None:
    """Return the hum of a microphone over the whole take, groups in which it is dead left out.

    ``mains_hz`` is what the settings say of the mains, see :func:`find_hum`.
    """
    groups = hearing.measured.low.power[mic]
    total, live = np.zeros(groups.shape[1]), 0
    for piece in pieces(len(groups), _TOGETHER):
        for k, group in enumerate(groups[piece], piece.start):
            if not _dead(hearing, mic, k) and group.any():
                total += group
                live += 1
    return find_hum(hearing.measured.low.bins_hz, total / live, mains_hz) if live else None


def _dead(hearing: Hearing, mic: int, group: int) -> bool:
    cells = GROUP * 100
    return bool(hearing.dead[mic][group * cells : (group + 1) * cells].any())


def hum(hearing: Hearing, limits: Limits) -> list[Finding]:
    """Return the stretches in which mains or generator hum can be heard against the noise."""
    found = []
    measured = hearing.measured
    for mic in (0, 1):
        groups = measured.low.power[mic]
        heard = [
            None
            if _dead(hearing, mic, k)
            else find_hum(measured.low.bins_hz, power, limits.mains_hz)
            for k, power in enumerate(groups)
        ]
        loud = np.array([h is not None and _audible(hearing, mic, h) for h in heard], bool)
        # One group between two with hum had too loud a voice in it to tell.
        for start, end in zip(*runs_of(bridged(loud, 1)), strict=True):
            inside = [h for h in heard[start:end] if h is not None]
            power = float(np.mean([h.power for h in inside]))
            frequency = float(np.median([h.fundamental_hz for h in inside]))
            starts_s, ends_s = _edges(hearing, mic, start, end, len(heard))
            found.append(
                Finding(
                    "hum",
                    mic,
                    starts_s,
                    ends_s,
                    "warn",
                    round(10 * np.log10(power), 1),
                    None,
                    "dBFS",
                    facts={
                        "frequency_hz": frequency,
                        "not_mains_hz": _other_than(limits.mains_hz, frequency),
                    },
                )
            )
    return found


def _edges(hearing: Hearing, mic: int, start: int, end: int, groups: int) -> tuple[float, float]:
    """Return when a hum that fills some groups comes and goes, as finely as it is known."""
    starts_s = float(start * GROUP)
    ends_s = hearing.measured.duration_s if end == groups else float(end * GROUP)
    for edge in hearing.measured.low.edges:
        at_group = start if edge.comes else end
        if edge.channel == mic and abs(edge.at_s - at_group * GROUP) <= GROUP + 1:
            starts_s, ends_s = (edge.at_s, ends_s) if edge.comes else (starts_s, edge.at_s)
    return starts_s, ends_s


def _other_than(mains_hz: float | None, frequency_hz: float) -> float | None:
    """Return the mains frequency that was named where the hum is another, else None."""
    if mains_hz is None or abs(frequency_hz - mains_hz) <= OFF_MAINS_HZ:
        return None
    return mains_hz


def _audible(hearing: Hearing, mic: int, hum: HumLines) -> bool:
    """Whether a hum can be heard: against the noise, and not far below all speech."""
    if max(hum.over_noise_db) < HEARD_LINE_DB:
        return False
    level = 10 * np.log10(sum(p * 10 ** (a_weighting_db(f) / 10) for f, p in hum.lines) + 1e-20)
    floor, speech = hearing.floors[mic], hearing.speech_to_noise_db[mic]
    if floor is None or speech is None:
        return True
    return bool(level > floor.dba + speech - HUM_UNDER_SPEECH_DB)
