"""Comparing what a tool said with the truth of a scene.

Goal: per kind of problem, how many true instances were found (recall) and how many reported
problems are none (false alarms), how far off their times are; per frame, who speaks; and the
errors of the measured levels and delays.

Conventions: a reported problem is an instance's if the kind is the same, the microphone does not
contradict it and the two overlap, or miss each other by at most ``NEAR_S``. A problem of severity
``note`` finds an instance but is never a false alarm. Frames are 10 ms; frames within
``COLLAR_S`` of a true turn's edge are left out; pauses under ``BRIDGE_S`` are bridged in the truth.
"""

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from dualmic.record import Problem, TakeRecord
from scenes.model import ROLES, Damage, Truth, other

NEAR_S = 0.5
COLLAR_S = 0.10
TOUCH_S = 0.10  # what two people say at once with no more than this between is one stretch
BRIDGE_S = 0.7
# A tool may hear these as a consequence of the damage named first.
_FOLLOWS = {
    "dropout": {"mic_dead"},
    "wind": {"rustle"},
    "rustle": {"click"},
}
# Kinds whose instance is the take (or its longest part) rather than a moment of it.
_NO_TIMES = ("noise", "low_level", "one_place", "polarity", "dc_offset", "crosstalk")
LEAK_FOR_ATTRIBUTION_DB = -10.0


@dataclass
class Score:
    """What one scene adds to the tables."""

    scene: dict[str, Any]
    minutes: float
    instances: list[dict[str, Any]] = field(default_factory=list)
    alarms: list[dict[str, Any]] = field(default_factory=list)
    times: list[dict[str, Any]] = field(default_factory=list)
    frames: dict[str, int] = field(default_factory=dict)
    errors: list[dict[str, Any]] = field(default_factory=list)
    seconds_to_check: float = 0.0


def score(truth: Truth, record: TakeRecord) -> Score:
    """Score one record against the truth of its scene."""
    if truth.settings["noise"] == "machine" or _has(truth, "what", "pump"):
        # Its tones are heard in both microphones, though they come through no cable.
        tones = Damage("hum", None, 0.0, truth.settings["duration_s"], "may")
        truth = replace(truth, damage=[*truth.damage, tones])
    result = Score(truth.settings, truth.settings["duration_s"] / 60)
    _problems(truth, record.problems, result)
    if not any(d.kind in ("mic_dead", "dual_mono", "one_place") for d in truth.damage):
        result.frames = _frames(truth, record)
    _levels(truth, record, result)
    return result


def _has(truth: Truth, key: str, value: str) -> bool:
    return any(damage.details.get(key) == value for damage in truth.damage)


def _is_same(damage: Damage, problem: Problem) -> bool:
    if damage.kind != problem.kind and problem.kind not in _FOLLOWS.get(damage.kind, ()):
        return False
    if damage.mic and problem.mic and damage.mic != problem.mic:
        return False
    return problem.start_s <= damage.end_s + NEAR_S and problem.end_s >= damage.start_s - NEAR_S


def _problems(truth: Truth, problems: list[Problem], result: Score) -> None:
    for damage in truth.damage:
        if damage.expect != "must":
            continue
        found = [p for p in problems if p.kind == damage.kind and _is_same(damage, p)]
        near = [
            _said(p)
            for p in problems
            if p.start_s <= damage.end_s + 1 and p.end_s >= damage.start_s - 1
        ]
        warned = any(p.severity != "note" for p in found)
        result.instances.append(
            {**_stated(damage), "found": bool(found), "warned": warned, "said": near}
        )
    for problem in problems:
        same = [d for d in truth.damage if _is_same(d, problem)]
        musts = [d for d in same if d.expect == "must" and d.kind == problem.kind]
        if musts and problem.kind not in _NO_TIMES:
            start_s, end_s = _true_span(truth, musts)
            result.times.append(
                {
                    "kind": problem.kind,
                    "onset_s": problem.start_s - start_s,
                    "end_s": problem.end_s - end_s,
                    "instances": len(musts),
                }
            )
        if problem.severity == "note":
            continue
        if not any(d.expect in ("must", "may") for d in same):
            result.alarms.append(
                {
                    **_said(problem),
                    "allowed_as_note": bool(same),
                    "true_here": [
                        _stated(d)
                        for d in truth.damage
                        if d.start_s <= problem.end_s + 1
                        and d.end_s >= problem.start_s - 1
                        and d.expect != "may"
                    ],
                }
            )


def _true_span(truth: Truth, musts: list[Damage]) -> tuple[float, float]:
    """Return when what is owed starts and ends, assents that run on from it or into it included."""
    start_s, end_s = min(d.start_s for d in musts), max(d.end_s for d in musts)
    said = [d for d in truth.damage if d.kind == musts[0].kind and d.details.get("said")]
    for each in sorted(said, key=lambda d: d.start_s):
        if start_s <= each.start_s <= end_s + TOUCH_S:
            end_s = max(end_s, each.end_s)
    for each in sorted(said, key=lambda d: -d.end_s):
        if start_s - TOUCH_S <= each.end_s <= end_s:
            start_s = min(start_s, each.start_s)
    return start_s, end_s


def _said(problem: Problem) -> dict[str, Any]:
    keys = ("kind", "mic", "start_s", "end_s", "severity", "count", "value", "limit", "unit")
    return {key: getattr(problem, key) for key in keys}


def _stated(damage: Damage) -> dict[str, Any]:
    return {
        "kind": damage.kind, "mic": damage.mic, "start_s": damage.start_s, "end_s": damage.end_s,
        "expect": damage.expect, **damage.details,
    }  # fmt: skip


def bridged(active: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Close the pauses under ``BRIDGE_S`` inside one person's frames."""
    out = active.copy()
    edges = np.flatnonzero(np.diff(np.concatenate(([0], (~active).astype(np.int8), [0]))))
    for begin, stop in edges.reshape(-1, 2):
        if begin > 0 and stop < len(active) and stop - begin < BRIDGE_S * 100:
            out[begin:stop] = True
    return out


def _frames(truth: Truth, record: TakeRecord) -> dict[str, int]:
    """Count frames: both people's turns found, missed and invented; single talk's owner."""
    size = len(truth.active[ROLES[0]])
    said = {role: np.zeros(size, bool) for role in ROLES}
    for turn in record.turns:
        said[turn.speaker][round(turn.start_s * 100) : round(turn.end_s * 100)] = True
    counts = dict.fromkeys(("hit", "miss", "invented", "owner_right", "owner_wrong"), 0)
    for role in ROLES:
        true = bridged(truth.active[role])
        edges = np.flatnonzero(np.diff(true.astype(np.int8)))
        judged = np.ones(size, bool)
        collar = round(COLLAR_S * 100)
        for edge in edges:
            judged[max(edge - collar + 1, 0) : edge + collar + 1] = False
        counts["hit"] += int((true & said[role] & judged).sum())
        counts["miss"] += int((true & ~said[role] & judged).sum())
        counts["invented"] += int((~true & said[role] & judged).sum())
        leaks = [level for level in truth.leak_levelled_db.values() if level is not None]
        if leaks and max(leaks) <= LEAK_FOR_ATTRIBUTION_DB + 1:
            alone = true & ~bridged(truth.active[other(role)]) & judged
            counts["owner_right"] += int((alone & said[role] & ~said[other(role)]).sum())
            counts["owner_wrong"] += int((alone & said[other(role)] & ~said[role]).sum())
            counts["owner_wrong"] += int((alone & said[other(role)] & said[role]).sum())
    return counts


def _levels(truth: Truth, record: TakeRecord, result: Score) -> None:
    """Compare what was measured where a single number is true of the whole take."""
    kinds = {damage.kind for damage in truth.damage if damage.expect != "may"}
    how = {damage.details.get("how") for damage in truth.damage}
    if kinds & {"mic_dead", "dual_mono", "one_place"} or "automatic gain" in how:
        return
    for role in ROLES:
        mic = record.mics.get(role)
        if mic and "mutes itself in pauses" not in how:
            for name, value, true in (
                ("noise floor, dBFS", mic.noise_floor_dbfs, truth.noise_dbfs[role]),
                ("noise floor, dB(A)FS", mic.noise_floor_dba, truth.noise_dba[role]),
                ("speech to noise, dB", mic.speech_to_noise_db, truth.speech_to_noise_db[role]),
            ):
                _error(result, name, value, true)
    if record.crosstalk is None or kinds & {"level_jump", "clipping"} or "turned" in how:
        return
    sides = (record.crosstalk.interviewer_into_subject, record.crosstalk.subject_into_interviewer)
    for role, leak in zip(ROLES, sides, strict=True):
        if not leak.is_upper_bound:
            _error(result, "crosstalk, dB", leak.level_db, truth.leak_db[role])
        _error(result, "delay, ms", leak.delay_ms, truth.delay_ms[role])
        if leak.polarity is not None and "rear lobe" not in truth.settings["fooled"]:
            wrong = float(leak.polarity != truth.polarity)
            _error(result, "polarity wrong", wrong, 0.0)


def _error(result: Score, name: str, value: float | None, true: float | None) -> None:
    if true is not None:
        error = None if value is None else value - true
        result.errors.append({"what": name, "value": value, "true": true, "error": error})
