"""Microphones that keep a trace of everything, far under what was their silence."""

from pathlib import Path

import numpy as np
import pytest
import speech_scene
from speech_scene import INTERVIEWER, RATE_HZ, SUBJECT, Scene

from dualmic import fallen_mics
from dualmic.findings import Limits, all_findings
from dualmic.findings.base import Finding
from dualmic.hearing import hear
from dualmic.measure import measure
from dualmic.take import check_take

FALLS_S = 30.0


def found(samples: np.ndarray) -> list[Finding]:
    measured = measure([samples.astype(np.float32)], RATE_HZ, 2, bit_depth=24)
    return all_findings(hear(measured), Limits(), (0, 1))


def dead(samples: np.ndarray) -> list[Finding]:
    return [f for f in found(samples) if f.kind == "mic_dead"]


def fallen(mic: int, by_db: float, left_dbfs: float, to_s: float | None = None) -> Scene:
    """Return a scene of which one microphone falls half a minute in; hiss is left."""
    scene = speech_scene.make(6, noise_dbfs=-62.0)
    part = slice(round(FALLS_S * RATE_HZ), None if to_s is None else round(to_s * RATE_HZ))
    hiss = np.random.default_rng(8).standard_normal(len(scene.samples[part]))
    scene.samples[part, mic] *= 10 ** (by_db / 20)
    scene.samples[part, mic] += hiss * 10 ** (left_dbfs / 20)
    return scene


@pytest.mark.parametrize("mic", [INTERVIEWER, SUBJECT])
@pytest.mark.parametrize(("by_db", "left_dbfs"), [(-50.0, -95.0), (-40.0, -84.0), (-50.0, -80.0)])
def test_a_trace_of_the_voices_is_no_working_microphone(
    mic: int, by_db: float, left_dbfs: float
) -> None:
    (told,) = dead(fallen(mic, by_db, left_dbfs).samples)
    assert told.mic == mic
    assert abs(told.start_s - FALLS_S) < 0.25


def test_it_is_dead_until_it_comes_back() -> None:
    (told,) = dead(fallen(SUBJECT, -50.0, -95.0, to_s=60.0).samples)
    assert abs(told.start_s - FALLS_S) < 0.25
    assert abs(told.end_s - 60.0) < 0.25


def test_answers_into_it_are_asked_again_and_are_the_subjects(tmp_path: Path) -> None:
    """Whose they are is told by level in the microphone that works."""
    scene = fallen(SUBJECT, -50.0, -95.0)
    record = check_take([scene.write(tmp_path / "take.wav")])
    assert record.verdict != "usable"
    spoiled = [(line.start_s, line.end_s) for line in record.at_risk if line.speaker == "subject"]
    for start_s, end_s in scene.answers():
        if start_s > FALLS_S:
            overlap_s = sum(max(0.0, min(end_s, b) - max(start_s, a)) for a, b in spoiled)
            assert overlap_s > 0.7 * (end_s - start_s)
    assert {d.result for d in record.deliveries.values()} == {"fail"}


@pytest.mark.parametrize(
    ("by_db", "is_dead"), [(-12.0, False), (-20.0, False), (-28.0, False), (-40.0, True)]
)
def test_an_input_turned_down_by_a_knob_or_a_pad_is_not_dead(by_db: float, is_dead: bool) -> None:
    scene = fallen(SUBJECT, by_db, -100.0)
    measured = measure([scene.samples.astype(np.float32)], RATE_HZ, 2, bit_depth=24)
    bands_db = measured.spectra.bands_db
    unasked = np.zeros(bands_db.shape[:2], bool)
    assert fallen_mics.fallen(bands_db, unasked)[SUBJECT].any() == is_dead
    assert bool(dead(scene.samples)) == is_dead


@pytest.mark.parametrize(("leak_db", "machine_dbfs"), [(-30.0, -45.0), (-40.0, -50.0)])
def test_where_a_machine_stops_in_the_room_no_microphone_is_dead(
    leak_db: float, machine_dbfs: float
) -> None:
    """The interviewer says nothing from then on, and hears less than the machine was loud."""
    scene = speech_scene.make(6, leak_db=leak_db, noise_dbfs=-80.0)
    quiet = round(FALLS_S * RATE_HZ)
    for who, start_s, end_s in scene.spoken:
        if who == INTERVIEWER and end_s > FALLS_S:
            part = slice(max(round(start_s * RATE_HZ), quiet), round((end_s + 0.01) * RATE_HZ))
            scene.samples[part] = scene.noise[part]
    machine = np.random.default_rng(3).standard_normal((quiet, 2)) * 10 ** (machine_dbfs / 20)
    scene.samples[:quiet] += machine
    assert dead(scene.samples) == []


def test_who_stops_talking_is_not_dead() -> None:
    scene = speech_scene.make(6, leak_db=-25.0, noise_dbfs=-75.0)
    for who, start_s, end_s in scene.spoken:
        if who == INTERVIEWER and start_s > FALLS_S:
            part = slice(round(start_s * RATE_HZ), round((end_s + 0.01) * RATE_HZ))
            scene.samples[part] = scene.noise[part]
    assert dead(scene.samples) == []


@pytest.mark.parametrize("length_s", [0.5, 19.0])
def test_a_short_take_tells_nothing(length_s: float) -> None:
    cells = round(length_s * 100)
    silent = np.full((2, cells, 6), -60.0)
    assert not fallen_mics.fallen(silent, np.zeros((2, cells), bool)).any()
