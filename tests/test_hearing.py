"""What is measured of a person where their own microphone is not to be had for a while."""

import numpy as np
import pytest
import speech_scene
from speech_scene import INTERVIEWER, RATE_HZ, SUBJECT, Scene

from dualmic.describe import mic_of
from dualmic.hearing import hear
from dualmic.measure import measure
from dualmic.record import Mic


def mics_of(scene: Scene) -> tuple[Mic, Mic]:
    hearing = hear(measure([scene.samples.astype(np.float32)], RATE_HZ, 2, bit_depth=24))
    return mic_of(hearing, INTERVIEWER, 1), mic_of(hearing, SUBJECT, 2)


def test_where_both_channels_are_one_microphone_nobody_is_measured() -> None:
    """The interviewer's input is turned down 14 dB, so a copy of the other would be far louder."""
    scene = speech_scene.make(5, leak_db=-20.0, gains_db=(-14.0, 0.0))
    usual = mics_of(scene)
    copied = slice(round(scene.spoken[4][1] * RATE_HZ), round(scene.spoken[7][1] * RATE_HZ))
    scene.samples[copied, INTERVIEWER] = scene.samples[copied, SUBJECT]
    for before, after in zip(usual, mics_of(scene), strict=True):
        assert before.loudness.speech_lufs is not None
        assert after.loudness.speech_lufs == pytest.approx(before.loudness.speech_lufs, abs=1.0)
        assert after.noise_floor_dbfs == pytest.approx(before.noise_floor_dbfs, abs=0.3)
        assert after.speech_to_noise_db == pytest.approx(before.speech_to_noise_db, abs=1.0)


def test_a_take_that_is_one_microphone_throughout_is_still_measured() -> None:
    scene = speech_scene.make(4)
    scene.samples[:, INTERVIEWER] = scene.samples[:, SUBJECT]
    assert any(mic.loudness.speech_lufs is not None for mic in mics_of(scene))
    assert any(mic.noise_floor_dbfs is not None for mic in mics_of(scene))


def test_an_answer_into_a_silent_microphone_is_no_pause_in_the_other() -> None:
    """The subject's sound is gone for two seconds of an answer, which still leaks at -8 dB."""
    scene = speech_scene.make(4, leak_db=-8.0)
    for start_s, _ in scene.answers():
        gone = slice(round((start_s + 0.5) * RATE_HZ), round((start_s + 2.5) * RATE_HZ))
        scene.samples[gone, SUBJECT] = 0
    interviewer, _ = mics_of(scene)
    noise_db = 10 * np.log10(np.mean(scene.noise[:, INTERVIEWER] ** 2) * 20 / 24)  # up to 20 kHz
    assert interviewer.noise_floor_dbfs == pytest.approx(noise_db, abs=0.5)
