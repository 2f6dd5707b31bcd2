"""A finished mix: its layouts, and how it is judged as it is.

:func:`judge_mix` holds what :func:`dualmic.mix_measure.measure_mix` found against a delivery spec.
:func:`looks_like_a_mix` tells when what was handed in as a take obviously is a mix already.
Nothing here reads samples or files.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from dualmic.checks import bit_depth_check, judged, overall, stated
from dualmic.errors import UsageError
from dualmic.meters.width import Width
from dualmic.record import Check, Delivery, Programme
from dualmic.spec import Limit, Spec

Layout = Literal["mono", "stereo", "5.0", "5.1"]

SURROUND = 1.41  # ITU-R BS.1770-5, annex 1, table 3: left and right surround
# Channels in the order of ITU-R BS.775 and of WAVE files: L R C (LFE) Ls Rs. The LFE channel has
# no part in loudness (BS.1770-5, annex 1).
LAYOUTS: dict[int, tuple[Layout, tuple[float, ...]]] = {
    1: ("mono", (1.0,)),
    2: ("stereo", (1.0, 1.0)),
    5: ("5.0", (1.0, 1.0, 1.0, SURROUND, SURROUND)),
    6: ("5.1", (1.0, 1.0, 1.0, 0.0, SURROUND, SURROUND)),
}

# Our choices: how a programme tells that it is one. Unmixed speech peaks 17 to 25 dB over its
# loudness (common practice, no source); limited for listening, 10 to 15.
LIMITED_PEAK_TO_LOUDNESS_DB = 15.5
LOUD_ENOUGH_LUFS = -25.0
CENTRED_SHARE = 0.5
WIDE_SHARE = 0.05
TARGET_WITHIN_LU = 1.0


@dataclass(frozen=True)
class MixFacts:
    """What was measured on a finished mix.

    ``programme`` holds the loudness and the true peak over all channels; ``speech_lufs`` is the
    loudness of the spoken stretches, all channels of them, and ``speech_s`` their length.
    ``mono_sum_db`` is ``10 log10(P(L+R) / (P(L) + P(R)))``, None unless stereo. ``bit_depth`` is
    None for compressed sound. Channels count from 1.
    """

    layout: Layout
    duration_s: float
    sample_rate_hz: int
    bit_depth: int | None
    is_lossy: bool
    programme: Programme
    speech_lufs: float | None
    speech_s: float
    head_silence_s: float
    tail_silence_s: float
    mono_sum_db: float | None = None
    true_peak_at_s: float | None = None
    true_peak_channel: int | None = None
    bad_samples: int = 0


def layout_of(channels: int) -> tuple[Layout, tuple[float, ...]]:
    """Return the layout of a mix by its number of channels, and their BS.1770 weights.

    Raises:
        UsageError: for a number of channels that no such layout has.

    """
    if channels not in LAYOUTS:
        raise UsageError(
            "A finished mix has 1, 2, 5 or 6 channels (mono, stereo, 5.0, 5.1); this one has "
            f"{channels}. If they are microphones, check it with --as take."
        )
    return LAYOUTS[channels]


def mix_target_lufs(spec: Spec, layout: Layout) -> float:
    """Loudness asked of a mix; a mono file has a target of its own where the spec gives one."""
    mono = spec.programme.mono_target_lufs
    return mono if layout == "mono" and mono is not None else spec.programme.target_lufs


def judge_mix(spec: Spec, facts: MixFacts) -> Delivery:
    """Judge a finished mix for one delivery.

    ``gain_db["programme"]`` is what would bring it onto the target, nothing else considered.
    """
    target = mix_target_lufs(spec, facts.layout)
    on_speech = spec.programme.measured_on == "speech"
    measured = facts.speech_lufs if on_speech else facts.programme.integrated_lufs
    checks = [_loudness_check(spec, target, measured), *_other_loudness(facts, on_speech)]
    limit = Limit(source=spec.true_peak.source, fail=spec.true_peak.max_dbtp)
    peak = facts.programme.true_peak_dbtp
    checks.append(judged("true_peak", "True peak", peak, limit, unit="dBTP"))
    checks += _limit_checks(spec, facts)
    gain = None if measured is None else round(target - measured, 2)
    return Delivery(result=overall(checks), gain_db={"programme": gain}, checks=checks)


def _loudness_check(spec: Spec, target: float, measured: float | None) -> Check:
    """Judge on the side of the target that the value lies on: the limits are that side's."""
    asked = spec.programme
    too_soft = measured is not None and measured < target
    sign = -1.0 if too_soft else 1.0
    limit = Limit(
        source=asked.source,
        warn=None if asked.warn_beyond_lu is None else target + sign * asked.warn_beyond_lu,
        fail=target + sign * asked.fail_beyond_lu,
    )
    what = "of the speech" if asked.measured_on == "speech" else "of the programme"
    title = f"Loudness {what}, target {target:g} LUFS ±{asked.fail_beyond_lu:g} LU"
    return judged("loudness", title, measured, limit, unit="LUFS", floor=too_soft)


def _other_loudness(facts: MixFacts, on_speech: bool) -> list[Check]:
    """State the loudness that this spec does not judge: whole programme or speech alone."""
    if on_speech:
        value, check_id, title = facts.programme.integrated_lufs, "programme_loudness", "programme"
        source = "ITU-R BS.1770-5, annex 1"
    else:
        value, check_id, title = facts.speech_lufs, "speech_loudness", "speech"
        source = "ITU-R BS.1770-5 over the spoken stretches that dualmic found"
    if value is None:
        return []
    return [stated(check_id, f"Loudness of the {title}", value, "LUFS", f"{source}; no limit")]


def _limit_checks(spec: Spec, facts: MixFacts) -> list[Check]:
    limits = spec.mix
    rows: list[tuple[str, str, float | None, Limit | None, str, str]] = [
        (
            "loudness_range",
            "Loudness range",
            facts.programme.range_lu,
            limits.loudness_range,
            "LU",
            "EBU Tech 3342",
        ),
        (
            "short_term_max",
            "Loudest three seconds",
            facts.programme.max_short_term_lufs,
            limits.short_term_max,
            "LUFS",
            "EBU Tech 3341",
        ),
        (
            "head_silence",
            "Silence at the head",
            facts.head_silence_s,
            limits.head_silence,
            "s",
            "under -60 dBFS RMS",
        ),
        (
            "tail_silence",
            "Silence at the tail",
            facts.tail_silence_s,
            limits.tail_silence,
            "s",
            "under -60 dBFS RMS",
        ),
        (
            "sample_rate",
            "Sample rate",
            float(facts.sample_rate_hz),
            limits.sample_rate,
            "Hz",
            "the file",
        ),
    ]
    if facts.layout == "stereo":
        title = "Level of the mono sum against left and right"
        source = "10 log10(P(L+R) / (P(L) + P(R)))"
        rows.insert(2, ("mono_sum", title, facts.mono_sum_db, limits.mono_sum, "dB", source))
    checks = []
    for check_id, title, value, limit, unit, source in rows:
        if limit is not None:
            checks.append(judged(check_id, title, value, limit))
        elif value is not None:
            checks.append(stated(check_id, title, value, unit, f"{source}; no limit"))
    if limits.bit_depth is not None:
        checks.append(bit_depth_check(limits.bit_depth, facts.bit_depth, facts.is_lossy))
    return checks


def looks_like_a_mix(
    width: Width,
    integrated_lufs: float | None,
    true_peak_dbtp: float | None,
    targets: Iterable[float],
) -> str | None:
    """Say why a two-channel take obviously is a finished mix, in one sentence; None if it is not.

    Two signs count, both with the voices in the centre, equal in both channels:

    - its peaks are held down as no microphone does by itself (see ``LIMITED_PEAK_TO_LOUDNESS_DB``);
    - other parts are wide, as music is, and its loudness is within 1 LU of one of ``targets``.
    """
    heard = width.heard().sum()
    if not heard or integrated_lufs is None or true_peak_dbtp is None:
        return None
    centred = width.one_signal().sum() / heard
    wide = width.wide().sum() / heard
    if centred < CENTRED_SHARE:
        return None
    limited = true_peak_dbtp - integrated_lufs <= LIMITED_PEAK_TO_LOUDNESS_DB
    if limited and integrated_lufs >= LOUD_ENOUGH_LUFS:
        why = "and the peaks are held down"
    elif wide >= WIDE_SHARE and any(
        abs(integrated_lufs - target) <= TARGET_WITHIN_LU for target in targets
    ):
        why = "other parts are wide, and the loudness is that of a delivery"
    else:
        return None
    return (
        f"This looks like a finished mix, not a take: the voices are in the centre, {why}. "
        "Say --as mix to judge it as one, or --as take if these are two microphones."
    )
