"""A scene states a leak as it is heard, and owes it where turned gains do not decide it."""

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scenes.dialogue import Dialogue
from scenes.mix import Mix
from scenes.model import ROLES, SAMPLE_RATE_HZ, Damage, Utterance
from scenes.truth import measure, state_truth

INTERVIEWER, SUBJECT = ROLES
# The interviewer asks twice, at the beginning and at the end, and the subject answers in between.
SAID = ((INTERVIEWER, 0, 10), (SUBJECT, 11, 20), (INTERVIEWER, 21, 30))
SECONDS = 31
# Of each voice in the interviewer's microphone and in the subject's, which leaks by -20 dB.
GAINS = {INTERVIEWER: (0.05, 0.05), SUBJECT: (0.005, 0.05)}


def made(leak_db: float, answer_leaks_db: float, turned_db: float = 0.0) -> Mix:
    """Return a scene of noises for voices, the subject's input turned during the first question.

    The interviewer's voice leaks by ``leak_db`` as recorded at the end, by ``answer_leaks_db`` at
    the beginning.
    """
    rng = np.random.default_rng(3)
    frames = SECONDS * SAMPLE_RATE_HZ
    active = {role: np.zeros(SECONDS * 100, bool) for role in ROLES}
    for role, start_s, end_s in SAID:
        active[role][start_s * 100 : end_s * 100] = True
    voice = {}
    for role in ROLES:
        said = rng.standard_normal(frames).astype(np.float32) * np.repeat(active[role], 480)
        voice[role] = {mic: said * gain for mic, gain in zip(ROLES, GAINS[role], strict=True)}
    first = slice(0, round(10.5 * SAMPLE_RATE_HZ))
    leak = voice[INTERVIEWER][SUBJECT]
    leak *= 10 ** (leak_db / 20)
    leak[first] *= 10 ** ((answer_leaks_db - turned_db - leak_db) / 20)
    noise = {role: 1e-4 * rng.standard_normal(frames).astype(np.float32) for role in ROLES}
    utterances = [Utterance(role, start_s, end_s, "answer") for role, start_s, end_s in SAID]
    room: Any = SimpleNamespace(
        size_m=1, t60_s=1, distance_m=1, arrival_s={a: dict.fromkeys(ROLES, 0.0) for a in ROLES}
    )
    mix = Mix(
        rng, "tuning", room, Dialogue({}, active, utterances), voice, noise,
        dict.fromkeys(ROLES, 0.05), {},
    )  # fmt: skip
    curve = np.ones(frames, np.float32)
    curve[first] = 10 ** (turned_db / 20)
    mix.scale_all(SUBJECT, curve)
    mix.turned[SUBJECT] = curve
    return mix


def stated(mix: Mix) -> list[Damage]:
    mix.notes |= {
        "measured": measure(mix), "latency_ms": dict.fromkeys(ROLES, 0.0), "noise": "hiss",
        "gain_db": dict.fromkeys(ROLES, 0.0), "speakers": "test data",
    }  # fmt: skip
    return [d for d in state_truth(mix, {}).damage if d.kind == "crosstalk"]


def turned_round(leak_db: float, turned_db: float) -> Damage:
    mix = made(-20.0, leak_db, turned_db)
    mix.note("crosstalk", SUBJECT, 0.0, 10.0, level_db=99.0, how="turned")
    (told,) = (d for d in stated(mix) if d.details.get("how") == "turned")
    return told


@pytest.mark.parametrize("leak_db", [-3.0, -5.5])
def test_an_answer_that_leaks_is_owed_at_the_level_it_is_heard_at(leak_db: float) -> None:
    told = turned_round(leak_db, 0.0)
    assert told.expect == "must"
    assert told.details["level_db"] == pytest.approx(leak_db, abs=0.2)


def test_an_answer_that_leaks_less_than_was_meant_is_not_owed() -> None:
    assert turned_round(-6.5, 0.0).expect == "may"


@pytest.mark.parametrize(("turned_db", "expect"), [(8.0, "may"), (1.0, "must"), (-8.0, "must")])
def test_an_answer_is_owed_if_it_leaks_whether_or_not_a_gain_is_undone(
    turned_db: float, expect: str
) -> None:
    told = turned_round(-4.0, turned_db)
    assert told.expect == expect
    assert told.details["level_db"] == pytest.approx(-4.0, abs=0.2)


@pytest.mark.parametrize(("turned_db", "expect"), [(0.0, "must"), (8.0, "may")])
def test_a_leak_of_the_whole_take_is_owed_on_the_same_terms(turned_db: float, expect: str) -> None:
    told = stated(made(-14.0 if turned_db else -4.0, -1.0, turned_db))
    assert [(d.mic, d.expect) for d in told] == [(SUBJECT, expect)]
