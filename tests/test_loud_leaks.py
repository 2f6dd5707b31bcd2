"""Both microphones hear both people as loudly: only when a voice arrives tells whose it is."""

from dataclasses import replace

import numpy as np
import pytest
import speech_scene
from speech_scene import INTERVIEWER, RATE_HZ, SUBJECT, Scene
from test_cloth import with_cloth

from dualmic.findings import Limits, all_findings
from dualmic.findings.sounds import rustle
from dualmic.hearing import Hearing, hear
from dualmic.measure import measure


def heard(scene: Scene) -> Hearing:
    return hear(measure([scene.samples.astype(np.float32)], RATE_HZ, 2, bit_depth=24))


@pytest.mark.parametrize("leak_db", [-1.0, 1.0])
@pytest.mark.parametrize("link_ms", [0, 8])
def test_turns_and_leaks_are_told_by_when_voices_arrive(leak_db: float, link_ms: int) -> None:
    """At +1 dB each is louder in the other person's microphone, as under a low table."""
    scene = speech_scene.make(5, leak_db=leak_db, delay_ms=3.0)
    scene.samples[:, SUBJECT] = np.roll(scene.samples[:, SUBJECT], link_ms * RATE_HZ // 1000)
    hearing = heard(scene)
    own = hearing.activity.own
    for who, start_s, end_s in scene.spoken:
        said = slice(round(start_s * 100) + 20, round(end_s * 100) - 20)
        assert own[who, said].mean() > 0.9
        assert own[1 - who, said].mean() < 0.02
    for leak in hearing.leaks:
        assert leak.level is not None
        assert leak.level.level_db == pytest.approx(leak_db, abs=0.3)
    found = all_findings(hearing, Limits(levelled_db=(0.0, 0.0)), (INTERVIEWER, SUBJECT))
    assert {f.mic for f in found if f.kind == "crosstalk"} == {INTERVIEWER, SUBJECT}
    assert {f.kind for f in found if f.severity != "note"} <= {"crosstalk"}


@pytest.mark.parametrize("ways", [1, 2])
def test_one_person_who_walks_about_is_nobody_else(ways: int) -> None:
    """The voice reaches the other microphone 3 ms later, then 8 ms, and comes back or not."""
    scene = speech_scene.make(5, speakers=(SUBJECT,))
    voice = scene.voices[:, SUBJECT]
    frames = np.arange(len(voice))
    is_far = frames // (len(voice) // (ways + 1) + 1) % 2 == 1
    leak = np.where(is_far, np.roll(voice, 384), np.roll(voice, 144))
    scene.samples[:, INTERVIEWER] = 0.8 * leak + scene.noise[:, INTERVIEWER]
    assert {turn[0] for turn in heard(scene).turns} == {SUBJECT}


def test_an_echo_that_shows_beside_its_voice_is_nobody_else() -> None:
    """A wall sends the only voice back 6 ms later, a half of it as loud, a fourth alone."""
    scene = speech_scene.make(6, speakers=(SUBJECT,))
    voice = scene.voices[:, SUBJECT]
    words = np.arange(len(voice)) // (RATE_HZ // 3) % 4
    leak = np.where(words < 3, np.roll(voice, 144), 0.0)
    leak += np.where(words >= 2, np.roll(voice, 432), 0.0)
    scene.samples[:, INTERVIEWER] = 0.5 * leak + scene.noise[:, INTERVIEWER]
    assert {turn[0] for turn in heard(scene).turns} == {SUBJECT}


def test_where_levels_do_not_tell_a_missing_leak_is_thin_evidence_of_cloth() -> None:
    hearing = heard(with_cloth(speech_scene.make(5, gap_s=2.4), SUBJECT, -26.0))
    places = hearing.activity.places
    assert places is not None and places.levels_tell
    assert {f.severity for f in rustle(hearing, Limits())} == {"warn"}
    activity = replace(hearing.activity, places=replace(places, levels_tell=False))
    found = rustle(replace(hearing, activity=activity), Limits())
    assert {f.severity for f in found} == {"note"}
