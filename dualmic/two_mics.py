"""What two open microphones do to each other once their gains are set: crosstalk and the mono sum.

Each voice reaches the other microphone as well, later and softer. Mixed together, the two copies
make a comb filter, and the background of both microphones adds up.
"""

from collections.abc import Mapping

from dualmic.checks import judged, power_sum_db, ripple_db, stated
from dualmic.record import MIC_ROLES, Check, Crosstalk, Leak, Mic, MicRole
from dualmic.spec import LimitDb, TakeLimits

Gains = Mapping[MicRole, float | None]


def leak_checks(limits: TakeLimits, crosstalk: Crosstalk | None, gains: Gains) -> list[Check]:
    """Judge the other voice in each microphone after gain: ``level_db + gain(B) - gain(A)``.

    The ripple that it makes in the mono sum follows, stated where no limit is set for it.
    """
    into: dict[MicRole, Leak | None] = {"subject": None, "interviewer": None}
    if crosstalk is not None:
        into["subject"] = crosstalk.interviewer_into_subject
        into["interviewer"] = crosstalk.subject_into_interviewer
    checks = []
    for mic, leak in into.items():
        level_db = _level_after_gain(leak, mic, gains)
        if limits.crosstalk:
            checks.append(_crosstalk_check(limits.crosstalk, mic, leak, level_db))
        if leak is not None and level_db is not None:
            checks.append(_ripple_check(limits, mic, leak, level_db))
    return checks


def _level_after_gain(leak: Leak | None, mic: MicRole, gains: Gains) -> float | None:
    talker = MIC_ROLES[1 - MIC_ROLES.index(mic)]
    mic_gain, talker_gain = gains[mic], gains[talker]
    if leak is None or leak.level_db is None or mic_gain is None or talker_gain is None:
        return None
    return leak.level_db + mic_gain - talker_gain


def _crosstalk_check(
    limit: LimitDb, mic: MicRole, leak: Leak | None, level_db: float | None
) -> Check:
    may_fail = mic == "subject"
    title = "The other voice after gain"
    if leak is None or not leak.is_upper_bound:
        return judged("crosstalk", title, level_db, limit, mic=mic, may_fail=may_fail)
    at_most = f"{title} (at most)"
    check = judged("crosstalk", at_most, level_db, limit, mic=mic, may_fail=may_fail)
    if check.result == "pass":
        return check
    # An upper bound over the limit says nothing: the voice may lie on either side of it.
    hidden = f"{title} (hidden by the noise)"
    return judged("crosstalk", hidden, None, limit, mic=mic, may_fail=may_fail)


def _ripple_check(limits: TakeLimits, mic: MicRole, leak: Leak, level_db: float) -> Check:
    title = "Ripple of the mono sum while the other talks"
    if leak.is_upper_bound:
        title += " (at most)"
    if leak.delay_ms and leak.polarity:
        # Copies that arrive d apart first cancel where d is half a period or, with one of them
        # upside down, a whole one.
        halves = 2.0 if leak.polarity == "opposite" else 1.0
        title += f", first dip at {halves * 500.0 / abs(leak.delay_ms):.0f} Hz"
    value = ripple_db(level_db)
    if limits.mono_ripple:
        may_fail = mic == "subject"
        return judged("mono_ripple", title, value, limits.mono_ripple, mic=mic, may_fail=may_fail)
    source = "comb filter, 20 log10((1 + a) / (1 - a)); no limit of its own"
    return stated("mono_ripple", title, value, "dB", source, mic=mic)


def open_mics_check(limits: TakeLimits, mics: Mapping[MicRole, Mic], gains: Gains) -> list[Check]:
    """State how much louder the background is with both microphones open than with the subject's.

    Empty where a noise floor or a gain is not known.
    """
    noise: dict[MicRole, float] = {}
    for role in MIC_ROLES:
        floor, gain = mics[role].noise_floor_dba, gains[role]
        if floor is None or gain is None:
            return []
        noise[role] = floor + gain
    title = "Background gained by leaving both microphones open"
    value = power_sum_db(*noise.values()) - noise["subject"]
    if limits.open_mics_noise:
        return [judged("open_mics_noise", title, value, limits.open_mics_noise)]
    source = "sum of the two noise powers after gain; no limit of its own"
    return [stated("open_mics_noise", title, value, "dB", source)]
