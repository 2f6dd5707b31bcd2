"""Cloth on one microphone is nobody's words, and no background either."""

from dataclasses import replace

import numpy as np
import pytest
import speech_scene
from scipy import signal
from speech_scene import INTERVIEWER, RATE_HZ, SUBJECT, Scene

from dualmic.findings.base import Limits
from dualmic.findings.collect import all_findings
from dualmic.findings.low_bursts import told_apart
from dualmic.findings.sounds import rustle, wind
from dualmic.hearing import Hearing, hear
from dualmic.measure import measure
from dualmic.meters.masks import widened
from dualmic.unwanted import Gust


def heard(scene: Scene) -> Hearing:
    return hear(measure([scene.samples.astype(np.float32)], RATE_HZ, 2, bit_depth=24))


def with_cloth(scene: Scene, mic: int, level_dbfs: float) -> Scene:
    """Rub cloth, 0.8 s of irregular broadband noise, on ``mic`` in every pause between turns."""
    rng = np.random.default_rng(4)
    sos = signal.butter(1, (150, 7000), "bandpass", fs=RATE_HZ, output="sos")
    for _, _, end_s in scene.spoken:
        frames = round(0.8 * RATE_HZ)
        strokes = np.interp(np.arange(frames), np.linspace(0, frames, 20), rng.gamma(1, 1, 20))
        rubbing = signal.sosfilt(sos, rng.normal(size=frames)) * (0.2 + strokes)
        rubbing *= 10 ** (level_dbfs / 20) / np.sqrt(np.mean(rubbing**2))
        start = round((end_s + 0.6) * RATE_HZ)
        part = scene.samples[start : start + frames, mic]
        part += rubbing[: len(part)]
    return scene


@pytest.mark.parametrize("mic", [INTERVIEWER, SUBJECT])
@pytest.mark.parametrize("level_dbfs", [-38.0, -26.0])
def test_cloth_in_every_pause_leaves_turns_and_floor_as_they_are(
    mic: int, level_dbfs: float
) -> None:
    clean = heard(speech_scene.make(5, gap_s=2.4))
    rubbed = heard(with_cloth(speech_scene.make(5, gap_s=2.4), mic, level_dbfs))
    assert [turn[0] for turn in rubbed.turns] == [turn[0] for turn in clean.turns]
    assert np.allclose(rubbed.turns, clean.turns, atol=0.25)
    for was, now in zip(clean.floors, rubbed.floors, strict=True):
        assert was is not None and now is not None
        assert abs(now.dba - was.dba) < 0.5


def test_a_machine_that_starts_is_the_background_and_no_cloth() -> None:
    scene = speech_scene.make(5, leak_db=-20.0)
    fan = np.random.default_rng(9).normal(0, 10 ** (-58 / 20), scene.samples.shape)
    scene.samples[len(fan) // 2 :] += fan[len(fan) // 2 :]
    hearing = heard(scene)
    late = hearing.activity.pause[len(hearing.activity.pause) // 2 :]
    assert late.sum() > 200  # two seconds of pauses and more, as without it


def test_cloth_in_a_pause_is_noted_beside_a_microphone_that_never_gave_a_sound() -> None:
    scene = with_cloth(speech_scene.make(5, gap_s=2.4), SUBJECT, -32.0)
    quiet = speech_scene.make(5, gap_s=2.4)
    for silent in (scene, quiet):
        silent.samples[:, INTERVIEWER] = 0.0
    noted = [found for found in rustle(heard(scene), Limits()) if found.mic == SUBJECT]
    rubbed = [end_s + 0.6 for who, _, end_s in scene.spoken if who == SUBJECT]
    for start_s in rubbed:
        assert any(f.start_s < start_s + 0.8 and f.end_s > start_s for f in noted)
    assert {found.severity for found in noted} == {"note"}  # nothing else bears it out
    assert rustle(heard(quiet), Limits()) == []


def test_a_crowd_in_one_microphone_that_never_pauses_is_no_sure_cloth() -> None:
    """Twelve people talk beside one microphone, 6 dB under its wearer; no pause shows it alone."""
    scene = speech_scene.make(5, gap_s=2.4)
    voices = speech_scene.make(9, gap_s=0.3).samples.sum(axis=1)
    rng = np.random.default_rng(8)
    turned = [np.roll(voices, by) for by in rng.integers(0, len(voices), 12)]
    crowd = np.resize(np.sum(turned, axis=0), len(scene.samples))
    own = scene.samples[:, SUBJECT]
    own += crowd * 10 ** (-6 / 20) * own.std() / crowd.std()
    found = [f for f in all_findings(heard(scene), Limits(), (0, 1)) if f.severity != "note"]
    assert "noise" in {f.kind for f in found}
    assert "rustle" not in {f.kind for f in found}


@pytest.mark.parametrize("falls_s", [0.08, 0.15])
@pytest.mark.parametrize("spoken_before_s", [0.0, 1.0])
def test_the_syllable_in_which_a_gain_comes_down_is_no_sure_cloth(
    falls_s: float, spoken_before_s: float
) -> None:
    """It came up by 14 dB in the pause: the leak of the first syllable, not lifted, is missing.

    So is it if the lifted pause passes for a part of the words.
    """
    scene = speech_scene.make(5, gap_s=1.2)
    at_s = np.arange(len(scene.samples)) / RATE_HZ
    gain_db = np.full(len(at_s), 14.0)
    for mic, start_s, end_s in scene.spoken:
        if mic == SUBJECT:
            down, up = at_s >= start_s, at_s >= end_s
            gain_db[down] = 14 * np.exp(-(at_s[down] - start_s) / falls_s)
            gain_db[up] = 14 * (1 - np.exp(-(at_s[up] - end_s) / 0.3))
    scene.samples[:, SUBJECT] *= 10 ** ((gain_db - 14) / 20)
    hearing = heard(scene)
    own = widened(hearing.activity.own[SUBJECT], round(spoken_before_s * 100), 0)
    speaks = np.stack([hearing.activity.own[INTERVIEWER], own])
    hearing = replace(hearing, activity=replace(hearing.activity, own=speaks))
    assert {found.severity for found in rustle(hearing, Limits())} == {"note"}


@pytest.mark.parametrize(("follows", "sure"), [(0.75, set()), (0.0, {SUBJECT})])
def test_words_that_a_gain_evens_out_are_no_sure_cloth(follows: float, sure: set[int]) -> None:
    """Soft words, lifted to the level of loud ones, lack the leak that loud ones have."""
    scene = speech_scene.make(5, leak_db=-16.0, noise_dbfs=-75.0)
    if not follows:
        scene = with_cloth(scene, SUBJECT, -26.0)
    frame, own = RATE_HZ // 100, scene.samples[:, SUBJECT]
    power = (own[: len(own) // frame * frame].reshape(-1, frame) ** 2).mean(axis=1)
    level_db = 10 * np.log10(np.convolve(power, np.ones(8) / 8, "same") + 1e-9)
    gain_db = follows * (level_db.max() - np.maximum(level_db, level_db.max() - 24))
    at = (np.arange(len(power)) + 0.5) * frame
    own *= 10 ** (np.interp(np.arange(len(own)), at, gain_db) / 20)
    told = rustle(heard(scene), Limits())
    assert {found.mic for found in told if found.severity == "warn"} == sure
    assert {found.mic for found in told} == {SUBJECT}


@pytest.mark.parametrize(("lost_s", "severity"), [(0.25, "note"), (0.0, "warn")])
def test_where_words_often_lack_their_leak_none_is_sure_cloth(lost_s: float, severity: str) -> None:
    """In every second the other microphone lets none of the words through for a while."""
    scene = speech_scene.make(5, leak_db=-14.0, noise_dbfs=-75.0, gap_s=2.4)
    at_s = np.arange(len(scene.samples)) / RATE_HZ
    for who, start_s, end_s in scene.spoken:
        lost = (at_s > start_s) & (at_s < end_s) & (at_s % 1 < lost_s)
        if who == SUBJECT:
            scene.samples[lost, INTERVIEWER] = scene.noise[lost, INTERVIEWER]
    found = rustle(heard(with_cloth(scene, SUBJECT, -26.0)), Limits())
    assert severity in {f.severity for f in found if f.mic == SUBJECT}
    assert ("warn" in {f.severity for f in found}) is (severity == "warn")


@pytest.mark.parametrize(("length_s", "severity"), [(0.16, "note"), (0.5, "warn")])
def test_what_is_over_at_once_under_words_is_no_sure_cloth(length_s: float, severity: str) -> None:
    scene = speech_scene.make(5, leak_db=-14.0, noise_dbfs=-75.0)
    start = round((scene.answers()[1][0] + 1.0) * RATE_HZ)
    part = scene.samples[start:, SUBJECT][: round(length_s * RATE_HZ)]
    part += 0.1 * np.random.default_rng(3).normal(size=len(part)) * np.hanning(len(part))
    assert {found.severity for found in rustle(heard(scene), Limits())} == {severity}


@pytest.mark.parametrize("slowly", [True, False])
def test_a_background_that_comes_up_evenly_is_no_sure_cloth(slowly: bool) -> None:
    """A gain comes up in one pause, or a hand strokes as loudly there."""
    scene = speech_scene.make(5, gap_s=2.4)
    start_s = scene.answers()[1][1] + 0.5
    knots_s = start_s + np.array([0.0, 0.3, 1.2, 1.5])
    at_s = np.arange(len(scene.samples)) / RATE_HZ
    gain_db = np.interp(at_s, knots_s, [0.0, 16.0, 16.0, 0.0])
    if not slowly:
        gain_db *= 1 + 0.3 * np.sin(2 * np.pi * 5 * at_s)
    scene.samples[:, SUBJECT] *= 10 ** (gain_db / 20)
    (found,) = rustle(heard(scene), Limits())
    assert found.severity == ("note" if slowly else "warn")


def test_what_only_dies_away_is_no_cloth() -> None:
    """Words leave a room's tail in their own microphone that never reaches the other one."""
    scene = speech_scene.make(5, leak_db=-18.0, noise_dbfs=-85.0)
    frames = round(0.6 * RATE_HZ)  # in which it falls by 60 dB
    tail = np.random.default_rng(6).normal(size=frames) * np.logspace(0, -3, frames)
    tail *= 10 ** (-6 / 20) / np.sqrt(np.sum(tail**2))
    for mic in (INTERVIEWER, SUBJECT):
        said = scene.voices[:, mic]
        scene.samples[:, mic] += signal.oaconvolve(said, tail)[: len(said)]
    assert rustle(heard(scene), Limits()) == []


@pytest.mark.parametrize(("ceiling", "severity"), [(1.0, "warn"), (0.25, "note")])
def test_what_clips_for_the_most_is_no_sure_cloth(ceiling: float, severity: str) -> None:
    """Cut tops of a shout fill bands that leak nowhere, as cloth does."""
    scene = with_cloth(speech_scene.make(5, gap_s=2.4), SUBJECT, -14.0)
    scene.samples[:, SUBJECT] = np.clip(scene.samples[:, SUBJECT], -ceiling, ceiling)
    found = rustle(heard(scene), Limits())
    assert len(found) >= 4
    assert {f.severity for f in found} == {severity}


@pytest.mark.parametrize(("hurts", "told"), [(True, set()), (False, {"note"}), (None, {"warn"})])
def test_only_wind_that_hurts_hides_cloth(hurts: bool | None, told: set[str]) -> None:
    hearing = heard(with_cloth(speech_scene.make(5, gap_s=2.4), SUBJECT, -26.0))
    duration_s = hearing.measured.duration_s
    gusts = [] if hurts is None else [Gust(0.0, duration_s, -50.0, -45.0, hurts)]
    blown = replace(hearing, unwanted=replace(hearing.unwanted, gusts=[[], gusts]))
    found = told_apart(blown, [*wind(blown, Limits()), *rustle(blown, Limits())])
    assert {f.severity for f in found if f.kind == "rustle" and f.mic == SUBJECT} == told
