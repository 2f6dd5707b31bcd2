"""Stating the truth about a finished mix."""

from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from scenes.levels import Array, db, k_weighted, noise_power, power_in, total_power
from scenes.mix import Mix
from scenes.model import ROLES, Damage, Expect, Truth, other

# The limits a take is judged by (the stricter of the two shipped deliveries), with a margin each
# side within which a tool may say either.
NOISE_LIMIT_DB = 22.0
CROSSTALK_LIMIT_DB = -8.0
MARGIN_DB = 2.0
LEAK_OWED_DB = CROSSTALK_LIMIT_DB + MARGIN_DB
# Our choice: talking over each other for less than this is turn-taking, not an interruption.
OVERLAP_MUST_S = 1.0


def measure(mix: Mix) -> dict[str, Any]:
    """Measure the parts before anything not linear happens to them."""
    pauses = mix.pauses()
    out: dict[str, Any] = {
        key: {} for key in ("noise_dbfs", "noise_dba", "speech_dbfs", "ratio", "leak", "plain")
    }
    weighted = {a: {b: k_weighted(mix.voice[a][b]) for b in ROLES} for a in ROLES}
    for role in ROLES:
        noise_a = noise_power(mix.noise[role], pauses, "A")
        noise = noise_power(mix.noise[role], pauses, "flat")
        own = mix.voice[role][role]
        active = mix.dialogue.active[role]
        # The clean voice is silent where it is not active: its energy belongs to active frames.
        speech_a = total_power(own, "A") / max(float(active.mean()), 1e-6)
        out["noise_dbfs"][role] = db(noise) if noise else None
        out["noise_dba"][role] = db(noise_a) if noise_a else None
        speech = power_in(own, active)
        out["speech_dbfs"][role] = db(speech) if speech else None
        out["ratio"][role] = db(speech_a / noise_a) if speech and noise_a else None
        alone = mix.single_talk(role)
        for key, voice in (("leak", weighted[role]), ("plain", mix.voice[role])):
            source, leaked = (power_in(voice[mic], alone) for mic in (role, other(role)))
            out[key][role] = db(leaked / source) if source and leaked else None
    # Of an input that was turned on the way a leak may be told as recorded, or with that undone.
    steady = {a: {b: weighted[a][b] / mix.turned.get(b, 1.0) for b in ROLES} for a in ROLES}
    for key, voice in (("levelled", weighted), ("steady", steady)):
        out[key] = {a: _levelled(mix, voice, a, mix.single_talk(a)) for a in ROLES}
    out["turned round"] = [
        [_levelled(mix, voice, other(d.mic), _said(mix, d)) for voice in (weighted, steady)]
        for d in mix.damage
        if _is_turned_round(d)
    ]
    return out


def _levelled(
    mix: Mix, heard: dict[str, dict[str, Array]], speaker: str, said: npt.NDArray[np.bool_]
) -> float | None:
    """Return the leak of ``said`` frames in dB, both microphones' speech at one loudness."""
    into = other(speaker)
    source, leaked = (power_in(heard[speaker][mic], said) for mic in (speaker, into))
    loud, loud_there = (power_in(heard[a][a], mix.dialogue.active[a]) for a in (speaker, into))
    if not (source and leaked and loud and loud_there):
        return None
    return db(leaked / source * loud / loud_there)


def _said(mix: Mix, damage: Damage) -> npt.NDArray[np.bool_]:
    """Return the frames in which whoever leaks during ``damage`` speaks alone."""
    said = mix.single_talk(other(damage.mic))
    said[: round(damage.start_s * 100)] = said[round(damage.end_s * 100) :] = False
    return said


def _is_turned_round(damage: Damage) -> bool:
    return damage.kind == "crosstalk" and damage.details.get("how") == "turned"


def _as_heard(damage: list[Damage], measured: dict[str, Any]) -> list[Damage]:
    """State answers that leak at the level they leak at once all gains are as they are."""
    levels = iter(measured["turned round"])
    stated = []
    for each in damage:
        if _is_turned_round(each):
            heard, steady = next(levels)
            owed = None not in (heard, steady) and min(heard, steady) > LEAK_OWED_DB
            details = {**each.details, "level_db": heard}
            each = replace(each, expect=each.expect if owed else "may", details=details)
        stated.append(each)
    return stated


def state_truth(mix: Mix, asked: dict[str, Any]) -> Truth:
    """Return the truth of ``mix``, natural problems (noise, crosstalk, overlaps) included."""
    measured = mix.notes["measured"]
    step_db = {role: 20 * np.log10(mix.output_gain[role]) for role in ROLES}

    def shifted(key: str) -> dict[str, float | None]:
        return {
            role: None if value is None else float(value + step_db[role])
            for role, value in measured[key].items()
        }

    leak_step = {a: float(step_db[other(a)] - step_db[a]) for a in ROLES}
    latency = mix.notes["latency_ms"]
    arrival = mix.room.arrival_s
    return Truth(
        utterances=mix.dialogue.utterances,
        active=mix.dialogue.active,
        gain_db={role: mix.notes["gain_db"][role] + float(step_db[role]) for role in ROLES},
        leak_db={a: _plus(measured["leak"][a], leak_step[a]) for a in ROLES},
        leak_plain_db={a: _plus(measured["plain"][a], leak_step[a]) for a in ROLES},
        leak_levelled_db=measured["levelled"],
        delay_ms={
            a: 1000 * (arrival[a][other(a)] - arrival[a][a]) + latency[other(a)] - latency[a]
            for a in ROLES
        },
        latency_ms=latency,
        polarity=mix.polarity,
        noise_dbfs=shifted("noise_dbfs"),
        noise_dba=shifted("noise_dba"),
        speech_dbfs=shifted("speech_dbfs"),
        speech_to_noise_db=measured["ratio"],
        damage=_audible(mix, _as_heard(mix.damage, measured) + _natural(mix, measured)),
        settings={
            **asked,
            "duration_s": mix.duration_s,
            "room_m": mix.room.size_m,
            "t60_s": mix.room.t60_s,
            "distance_m": mix.room.distance_m,
            **{key: mix.notes[key] for key in ("noise", "speakers")},
        },
    )


def _plus(value: float | None, step: float) -> float | None:
    return None if value is None else value + step


def _natural(mix: Mix, measured: dict[str, Any]) -> list[Damage]:
    """Return what is wrong with the scene as such, by the limits a take is judged by."""
    found: list[Damage] = []
    end_s = mix.duration_s
    if mix.settings.get("one_place"):
        return _overlaps(mix)
    for role in ROLES:
        ratio = measured["ratio"][role]
        if ratio is not None and ratio < NOISE_LIMIT_DB + MARGIN_DB:
            must = ratio < NOISE_LIMIT_DB - MARGIN_DB
            details = {"speech_to_noise_db": ratio}
            found.append(Damage("noise", role, 0.0, end_s, "must" if must else "may", details))
        leaks = [measured[key][role] for key in ("levelled", "steady")]
        if None not in leaks and max(leaks) > CROSSTALK_LIMIT_DB - MARGIN_DB:
            must = min(leaks) > LEAK_OWED_DB
            details = {"level_db": leaks[0]}
            # Of the whole take it says little where one answer leaked, or the pack muted leaks.
            turned = any(d.kind == "crosstalk" and d.mic == other(role) for d in mix.damage)
            must = must and not turned and mix.notes.get("muted") != other(role)
            expect: Expect = "must" if must else "may"
            found.append(Damage("crosstalk", other(role), 0.0, end_s, expect, details))
    return found + _overlaps(mix)


def _audible(mix: Mix, damage: list[Damage]) -> list[Damage]:
    """Excuse what cannot be heard because its microphone was dead or held another's sound."""
    if "unheard" not in mix.notes:
        return damage
    mic, start_s, end_s = mix.notes["unheard"]
    copied = any(each.kind == "dual_mono" for each in damage)
    excused = []
    for each in damage:
        there = each.end_s > start_s and each.start_s < end_s
        own = each.kind in ("mic_dead", "dual_mono")
        # In two equal channels nothing can be told to be of one microphone alone.
        gone = (
            each.mic in (mic, None)
            or each.kind == "crosstalk"
            or (copied and each.kind in ("click", "rustle", "wind", "level_jump"))
        )
        if there and copied and each.mic == other(mic):
            excused.append(replace(each, mic=mic, expect="may"))
        excused.append(replace(each, expect="may") if there and gone and not own else each)
    return excused


def _overlaps(mix: Mix) -> list[Damage]:
    """Return where both people speak: interruptions ``must``, assents at most a ``note``."""
    found = []
    for said in mix.dialogue.utterances:
        if said.speaker != ROLES[0]:
            continue
        first, last = round(said.start_s * 100), round(said.end_s * 100)
        both = mix.dialogue.active[ROLES[1]][first:last] & mix.dialogue.active[ROLES[0]][first:last]
        if both.sum() < 5:
            continue
        begin, stop = (first + np.flatnonzero(both)[[0, -1]]) / 100
        expect: Expect = "note" if said.kind == "assent" else "may"
        if said.kind == "interruption" and both.sum() / 100 >= OVERLAP_MUST_S:
            expect = "must"
        details = {"said": said.kind, "together_s": float(both.sum() / 100)}
        found.append(Damage("both_talking", None, float(begin), float(stop), expect, details))
    return found
