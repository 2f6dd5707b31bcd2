"""Sounds that pass for a voice in the place of one, and keep too even a level to be one."""

import numpy as np
import pytest
import speech_scene
from scipy import signal
from speech_scene import INTERVIEWER, RATE_HZ, SUBJECT
from test_talk import findings

from dualmic.measure import measure
from dualmic.meters.masks import bridged
from dualmic.meters.steady import steady

CELL = RATE_HZ // 100


def passing_car(length_s: float, peak_dbfs: float) -> np.ndarray:
    """Return a low noise that comes up by 18 dB and goes again, once and evenly."""
    frames = round(length_s * RATE_HZ)
    course = 10 ** (-18 / 20 * np.abs(np.linspace(-1, 1, frames)))
    low = signal.butter(1, 500, fs=RATE_HZ, output="sos")
    noise = signal.sosfilt(low, np.random.default_rng(3).normal(0, 1, frames))
    noise /= noise.std()
    return 10 ** (peak_dbfs / 20) * course * noise


def bands_db(samples: np.ndarray) -> np.ndarray:
    return measure([samples.astype(np.float32)], RATE_HZ, 2, bit_depth=24).spectra.bands_db


@pytest.mark.parametrize("db_per_s", [0.0, 9.0, -20.0])
def test_what_holds_a_straight_course_is_nobodys_voice(db_per_s: float) -> None:
    frames = 3 * RATE_HZ
    course = 10 ** (db_per_s / 20 * np.arange(frames) / RATE_HZ)
    noise = np.random.default_rng(1).normal(0, 0.01, (frames, 2)) * course[:, None]
    bands = bands_db(noise)
    own = np.zeros(bands.shape[:2], bool)
    own[SUBJECT, 20:280] = True
    found = steady(bands, own)
    assert found[SUBJECT, 30:270].all()
    assert not found[INTERVIEWER].any()


def test_speech_never_does() -> None:
    """Two speakers, in a background 28 dB under their voices."""
    scene = speech_scene.make(8, noise_dbfs=-54.0)
    bands = bands_db(scene.samples)
    cells = bands.shape[1]
    words = scene.voices[: cells * CELL].reshape(cells, CELL, 2)
    loud = (words**2).mean(axis=1).T > 10 ** (-46 / 10)
    own = np.stack([bridged(row, 40) for row in loud])
    assert own.any(axis=1).all()
    assert not steady(bands, own).any()


def test_a_car_that_passes_does_not_talk_over_the_answer() -> None:
    """No leak is heard; the car is heard as loudly by both, 2 ms later by the subject's."""
    scene = speech_scene.make(4, leak_db=-45.0, noise_dbfs=-62.0)
    start_s, _ = scene.answers()[1]
    car = passing_car(12.0, -42.0)
    at = round((start_s - 3.0) * RATE_HZ)
    scene.samples[at : at + len(car)] += np.column_stack([car, np.roll(car, 90)])
    assert [f for f in findings(scene.samples, "both_talking") if f.severity != "note"] == []
