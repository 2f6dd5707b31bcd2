"""Sounds that do not belong, laid onto real speech whose every level is known."""

import numpy as np
import pytest
import soundfile as sf

from dualmic.lock_keeper.mix import mix_take
from dualmic.take import check_take
from speech_scene import RATE_HZ, SUBJECT, Scene, make


def problems(scene, folder, kind):
    """Return what is said of one kind about a scene."""
    record = check_take([scene.write(folder / "take.wav")])
    return [problem for problem in record.problems if problem.kind == kind]


def gust(length_s: float, level_dbfs: float) -> np.ndarray:
    """Return noise below 100 Hz whose strength changes five times a second."""
    rng = np.random.default_rng(3)
    count = round(length_s * RATE_HZ)
    spectrum = np.fft.rfft(rng.standard_normal(count))
    spectrum[np.fft.rfftfreq(count, 1 / RATE_HZ) > 90] = 0
    blow = np.interp(np.linspace(0, 1, count), np.linspace(0, 1, 11), rng.gamma(2.0, 1.0, 11) + 0.3)
    sound = np.fft.irfft(spectrum, count) * blow
    return sound / np.sqrt(np.mean(sound**2)) * 10 ** (level_dbfs / 20)


def lay(scene: Scene, mics: tuple[int, ...], at_s: float, sound: np.ndarray) -> None:
    """Add a sound to microphones of a scene."""
    at = round(at_s * RATE_HZ)
    for mic in mics:
        scene.samples[at : at + len(sound), mic] += sound


@pytest.fixture
def scene() -> Scene:
    """Return two rounds of question and answer."""
    made = make(rounds=2)
    return Scene(made.samples.copy(), made.voices, made.noise, made.spoken)


def test_wind_in_one_microphone_is_found_where_it_blows(scene, tmp_path):
    start_s = scene.answers()[0][0] + 0.5
    lay(scene, (SUBJECT,), start_s, gust(2.0, -24))
    (found,) = problems(scene, tmp_path, "wind")
    assert (found.mic, found.severity) == ("subject", "warn")
    assert abs(found.start_s - start_s) < 0.25
    assert abs(found.end_s - start_s - 2.0) < 0.25


def test_one_plosive_is_no_wind(scene, tmp_path):
    lay(scene, (SUBJECT,), scene.answers()[0][0] + 0.5, gust(0.06, -20))
    assert problems(scene, tmp_path, "wind") == []


def test_a_rumble_alike_in_both_microphones_is_at_most_a_note(scene, tmp_path):
    lay(scene, (0, 1), scene.answers()[0][0] + 0.5, gust(2.0, -24))
    assert {problem.severity for problem in problems(scene, tmp_path, "wind")} <= {"note"}


def test_a_hum_is_no_wind(scene, tmp_path):
    time_s = np.arange(6 * RATE_HZ) / RATE_HZ
    lay(scene, (SUBJECT,), 2.0, 0.05 * np.sin(2 * np.pi * 50 * time_s))
    assert problems(scene, tmp_path, "wind") == []
