"""Judging a raw take for a delivery: what it will be after the gain that brings it to the target.

A take as it lies on the card is nothing to judge. Each microphone is first brought to the
delivery's level by its speech; noise, hum, crosstalk and peaks are judged as they are then.
Damage is judged answer by answer. A damaged question never fails a delivery, for a question can
be recorded again; nor does a damaged answer of which another good copy exists.

Nothing here reads samples or files: facts in, :class:`dualmic.record.Delivery` out.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import msgspec

from dualmic.checks import SAFE_COPY, bit_depth_check, judged, overall, stated
from dualmic.record import (
    MIC_ROLES,
    Check,
    Crosstalk,
    Delivery,
    KindOfTake,
    LineAtRisk,
    Mic,
    MicRole,
    Problem,
    Turn,
)
from dualmic.spec import Limit, LimitMs, Spec
from dualmic.two_mics import leak_checks, open_mics_check

# A voice in the centre plays from both channels, whose powers add (ITU-R BS.1770-5, annex 1).
CENTRED_VOICE_LU = 10.0 * math.log10(2.0)

TURN_NAMES: dict[MicRole, str] = {"interviewer": "question", "subject": "answer"}


@dataclass(frozen=True)
class TakeFacts:
    """What judging a take needs to know of it.

    ``speech_peak_dbfs`` is the level that 99.9 % of the samples of a person's own speech stay
    under. ``flat_ms_by_turn`` and ``dropout_ms_by_turn`` hold, by ``Turn.id``, the clipped and the
    missing time inside that turn on its speaker's own microphone; a turn left out has none.
    ``bit_depth`` is ``None`` for compressed sound; ``one_signal`` says that both channels carry
    the same microphone throughout.
    """

    mics: Mapping[MicRole, Mic]
    sample_rate_hz: int
    bit_depth: int | None
    is_float: bool = False
    is_lossy: bool = False
    one_mic: bool = False
    one_signal: bool = False
    kind_of_take: KindOfTake = "interview"
    crosstalk: Crosstalk | None = None
    problems: Sequence[Problem] = ()
    turns: Sequence[Turn] = ()
    at_risk: Sequence[LineAtRisk] = ()
    speech_peak_dbfs: Mapping[MicRole, float | None] = field(default_factory=dict)
    flat_ms_by_turn: Mapping[int, float] = field(default_factory=dict)
    dropout_ms_by_turn: Mapping[int, float] = field(default_factory=dict)


def voice_target_lufs(spec: Spec) -> float:
    """Loudness that one voice's own file must read for a stereo programme at the target."""
    return spec.programme.target_lufs - CENTRED_VOICE_LU


def take_gains_db(spec: Spec, mics: Mapping[MicRole, Mic]) -> dict[MicRole, float | None]:
    """Gain that brings each microphone's speech to the target; ``None`` where it is unknown.

    A voice at -36.0 LUFS needs ``-16 - 3.01 + 36 = 16.99`` dB for a podcast.
    """
    gains: dict[MicRole, float | None] = {}
    for role, mic in mics.items():
        speech = mic.loudness.speech_lufs
        gains[role] = None if speech is None else round(voice_target_lufs(spec) - speech, 2)
    return gains


def judge_take(spec: Spec, facts: TakeFacts) -> Delivery:
    """Judge a take for one delivery.

    A take in which nobody speaks has nothing to judge: no checks, and ``incomplete``.
    """
    if facts.kind_of_take == "nobody speaks":
        return Delivery(result="incomplete", gain_db={}, checks=[])
    gains = take_gains_db(spec, facts.mics)
    checks: list[Check] = []
    for role in _roles_to_judge(facts):
        checks += _damage_checks(spec, facts, role)
        checks += _level_checks(spec, facts, role, gains[role])
    if not facts.one_mic:
        checks += _two_mic_checks(spec, facts, gains)
    checks += _file_checks(spec, facts)
    checks = [check for check in checks if not _explained(check, checks)]
    return Delivery(
        result=overall(checks), gain_db={str(r): g for r, g in gains.items()}, checks=checks
    )


def _roles_to_judge(facts: TakeFacts) -> list[MicRole]:
    """Microphones that somebody's words depend on; in an interview that is every one."""
    speakers = {turn.speaker for turn in facts.turns}
    dead = {problem.mic for problem in facts.problems if problem.kind == "mic_dead"}
    everyone = facts.kind_of_take == "interview" and not facts.one_signal
    return [r for r in MIC_ROLES if r in facts.mics and (everyone or r in speakers | dead)]


def _explained(check: Check, checks: Sequence[Check]) -> bool:
    """Whether a gap needs no line of its own, another check having said why there is one."""
    if check.result != "not measured":
        return False
    broken = {(other.id, other.mic) for other in checks if other.result in ("warn", "fail")}
    if ("mic_dead", "interviewer") in broken:
        return check.mic == "interviewer" or check.id == "crosstalk"
    return ("dual_mono", None) in broken and check.id == "crosstalk"


def _damage_checks(spec: Spec, facts: TakeFacts, role: MicRole) -> list[Check]:
    checks = []
    limits = spec.take
    if limits.clipping:
        checks.append(
            _worst_turn("clipping", "Clipping", facts.flat_ms_by_turn, limits.clipping, facts, role)
        )
    if limits.dropout:
        checks.append(
            _worst_turn(
                "dropout", "Lost sound", facts.dropout_ms_by_turn, limits.dropout, facts, role
            )
        )
    if limits.mic_dead and not facts.one_mic:
        dead_s = _seconds_of("mic_dead", facts, role)
        lost = [
            line for line in facts.at_risk if line.speaker == role and "mic_dead" in line.because
        ]
        saved = bool(lost) and all(_has_copy(line) for line in lost)
        checks.append(
            judged(
                "mic_dead",
                "Microphone silent while its wearer talks" + (f" ({SAFE_COPY})" if saved else ""),
                dead_s,
                limits.mic_dead,
                mic=role,
                may_fail=role == "subject" and not saved,
            )
        )
    return checks


def _worst_turn(
    check_id: str,
    title: str,
    ms_by_turn: Mapping[int, float],
    limit: LimitMs,
    facts: TakeFacts,
    role: MicRole,
) -> Check:
    """Judge the turn that is worst off: one without another copy first, for that one is lost."""
    copied = {line.turn for line in facts.at_risk if _has_copy(line)}
    damage = {t.id: ms_by_turn.get(t.id, 0.0) for t in facts.turns if t.speaker == role}
    alone = {turn: ms for turn, ms in damage.items() if turn not in copied}
    worst = max(damage, key=lambda turn: damage[turn], default=None)
    worst_alone = max(alone, key=lambda turn: alone[turn], default=None)
    first = limit.fail if limit.fail is not None else math.inf
    if worst_alone is not None and alone[worst_alone] > first:
        worst = worst_alone
    value = 0.0 if worst is None else damage[worst]
    name = f"{title}, worst {TURN_NAMES[role]}"
    if value:
        name += f" (turn {worst}{f', {SAFE_COPY}' if worst in copied else ''})"
    may_fail = role == "subject" and worst not in copied
    return judged(check_id, name, value, limit, mic=role, may_fail=may_fail)


def _has_copy(line: LineAtRisk) -> bool:
    return line.covered_by is not None and line.covered_by.usable


def _seconds_of(kind: str, facts: TakeFacts, role: MicRole | None) -> float:
    """Total length of the problems of one kind on one microphone (any, for ``None``)."""
    return sum(
        problem.end_s - problem.start_s
        for problem in facts.problems
        if problem.kind == kind and role in (None, problem.mic)
    )


def _level_checks(
    spec: Spec, facts: TakeFacts, role: MicRole, gain_db: float | None
) -> list[Check]:
    mic, limits = facts.mics[role], spec.take
    may_fail = role == "subject"
    checks = []
    if limits.speech_to_noise:
        checks.append(
            judged(
                "speech_to_noise",
                "Speech over background, A-weighted",
                mic.speech_to_noise_db,
                limits.speech_to_noise,
                mic=role,
                may_fail=may_fail,
            )
        )
    coarse = facts.is_lossy or not (facts.is_float or (facts.bit_depth or 0) > 16)
    gain_limit = limits.gain_16_bit if coarse else limits.gain
    if gain_limit:
        checks.append(
            judged("gain", "Gain needed", gain_db, gain_limit, mic=role, may_fail=may_fail)
        )
    if limits.loud_moments:
        peak = facts.speech_peak_dbfs.get(role)
        over = None
        if peak is not None and gain_db is not None:
            over = peak + gain_db - spec.true_peak.max_dbtp
        title = "Loud moments over the peak limit after gain"
        checks.append(
            judged("loud_moments", title, over, limits.loud_moments, mic=role, may_fail=may_fail)
        )
    if limits.hum:
        checks.append(_hum_check(spec, mic, role, gain_db, limits.hum))
    if mic.noise_floor_dba is not None and gain_db is not None:
        after = mic.noise_floor_dba + gain_db
        source = "noise floor (IEC 61672-1 A-weighting) plus the gain; no limit of its own"
        checks.append(
            stated("noise_after_gain", "Background after gain", after, "dB(A)FS", source, mic=role)
        )
    return checks


def _hum_check(
    spec: Spec, mic: Mic, role: MicRole, gain_db: float | None, under_speech: Limit
) -> Check:
    """Judge the hum after gain; the spec says how far under the speech it must lie."""
    speech = voice_target_lufs(spec)
    limit = Limit(
        source=under_speech.source,
        warn=None if under_speech.warn is None else round(speech - under_speech.warn, 2),
        fail=None if under_speech.fail is None else round(speech - under_speech.fail, 2),
    )
    value = None if mic.hum is None or gain_db is None else mic.hum.level_dbfs + gain_db
    check = judged(
        "hum_after_gain",
        "Mains hum after gain",
        value,
        limit,
        mic=role,
        may_fail=role == "subject",
        unit="dBFS",
    )
    # Hum is looked for in the pauses: where those were long enough, none found is a good answer.
    if mic.hum is None and mic.noise_floor_dbfs is not None:
        check = msgspec.structs.replace(check, title="Mains hum (none found)", result="pass")
    return check


def _two_mic_checks(
    spec: Spec, facts: TakeFacts, gains: Mapping[MicRole, float | None]
) -> list[Check]:
    checks = []
    if spec.take.dual_mono:
        seconds = _seconds_of("dual_mono", facts, None)
        title = "Both channels carry one microphone"
        checks.append(judged("dual_mono", title, seconds, spec.take.dual_mono))
    two = all(role in facts.mics for role in MIC_ROLES) and not facts.one_signal
    if two and facts.kind_of_take != "one person":
        checks += leak_checks(spec.take, facts.crosstalk, gains)
        checks += open_mics_check(spec.take, facts.mics, gains)
    return checks


def _file_checks(spec: Spec, facts: TakeFacts) -> list[Check]:
    checks = []
    if spec.take.sample_rate:
        rate = float(facts.sample_rate_hz)
        checks.append(judged("sample_rate", "Sample rate", rate, spec.take.sample_rate))
    if spec.take.bit_depth:
        checks.append(bit_depth_check(spec.take.bit_depth, facts.bit_depth, facts.is_lossy))
    return checks
