"""Machines that are heard by their tones and lift no band by enough to be seen."""

import numpy as np
import pytest
import speech_scene
from scipy import signal
from speech_scene import INTERVIEWER, RATE_HZ, SUBJECT

from dualmic.findings import Limits, all_findings
from dualmic.findings.base import Finding
from dualmic.hearing import hear
from dualmic.measure import measure
from dualmic.meters.tones import ToneEdge
from dualmic.problems import _background_change

ON_S, OFF_S = 19.3, 39.1  # under words
PUMP_HZ = (77.0, 154.0, 231.0)


def rumbling(scene: speech_scene.Scene) -> np.ndarray:
    """Return the scene beside a road: noise that falls by 6 dB an octave, as loud in both."""
    rng = np.random.default_rng(7)
    low = signal.butter(1, 60.0, fs=RATE_HZ, output="sos")
    road = signal.sosfilt(low, rng.standard_normal((len(scene.samples), 2)), axis=0)
    return scene.samples + road / road.std() * 10 ** (-52 / 20)


def pump(frames: int, level_dbfs: float = -59.0) -> np.ndarray:
    """Return three tones between two moments, each weaker than the one before by 6 dB."""
    time_s = np.arange(frames) / RATE_HZ
    tones = sum(2.0**-k * np.sin(2 * np.pi * f * time_s + k) for k, f in enumerate(PUMP_HZ))
    on = (time_s >= ON_S) & (time_s < OFF_S)
    return np.asarray(tones * on * np.sqrt(2) * 10 ** (level_dbfs / 20))


def edges(samples: np.ndarray) -> tuple[ToneEdge, ...]:
    return measure([samples.astype(np.float32)], RATE_HZ, 2, bit_depth=24).low.tones


def background(samples: np.ndarray) -> list[Finding]:
    measured = measure([samples.astype(np.float32)], RATE_HZ, 2, bit_depth=24)
    found = all_findings(hear(measured), Limits(), (0, 1))
    return [f for f in found if f.kind == "background_change"]


@pytest.fixture(scope="module")
def beside_a_road() -> np.ndarray:
    return rumbling(speech_scene.make(4))


def test_a_pump_under_words_is_dated(beside_a_road: np.ndarray) -> None:
    sound = pump(len(beside_a_road))
    starts, stops = edges(beside_a_road + np.column_stack([sound, np.roll(sound, 90)]))
    assert (starts.comes, stops.comes) == (True, False)
    for edge, at_s in ((starts, ON_S), (stops, OFF_S)):
        assert abs(edge.at_s - at_s) < 0.1
        assert edge.first_s - 0.05 <= at_s <= edge.last_s + 0.05
        assert abs(edge.tones_hz[0] - PUMP_HZ[0]) <= 0.5  # a bin of its frames


def test_a_pump_that_lifts_no_band_is_a_note_with_its_frequency(beside_a_road: np.ndarray) -> None:
    assert not background(beside_a_road)
    sound = pump(len(beside_a_road))
    found = background(beside_a_road + np.column_stack([sound, np.roll(sound, 90)]))
    assert [(f.mic, f.severity) for f in found] == [(None, "note")] * 2
    assert found[0].value is not None and found[1].value is not None
    assert found[0].value > 0 > found[1].value
    assert "77 Hz comes up" in _background_change(found[0], "")[0]


def test_tones_that_both_ways_tell_are_said_once(beside_a_road: np.ndarray) -> None:
    """Loud enough, the bands rise as well."""
    sound = pump(len(beside_a_road), -42.0)
    found = background(beside_a_road + np.column_stack([sound, np.roll(sound, 90)]))
    assert len(found) == 2


@pytest.mark.parametrize("mic", [INTERVIEWER, SUBJECT])
def test_tones_of_one_microphone_are_no_machine_in_the_room(
    beside_a_road: np.ndarray, mic: int
) -> None:
    samples = beside_a_road.copy()
    samples[:, mic] += pump(len(samples))
    assert not edges(samples)


def test_voices_and_noise_alone_have_no_tones(beside_a_road: np.ndarray) -> None:
    assert not edges(beside_a_road)
    assert not edges(speech_scene.make(4).samples)


def test_a_machine_that_stops_shortly_before_the_end_is_found(beside_a_road: np.ndarray) -> None:
    sound = pump(len(beside_a_road))
    samples = beside_a_road + np.column_stack([sound, np.roll(sound, 90)])
    stops = edges(samples[: round((OFF_S + 5.0) * RATE_HZ)])[-1]
    assert not stops.comes
    assert abs(stops.at_s - OFF_S) < 0.1


def test_a_microphone_that_is_silent_for_long_says_nothing(beside_a_road: np.ndarray) -> None:
    sound = pump(len(beside_a_road))
    samples = beside_a_road + np.column_stack([sound, np.roll(sound, 90)])
    samples[:, SUBJECT] = 0
    assert not edges(samples)
