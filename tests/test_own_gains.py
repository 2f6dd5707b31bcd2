"""Gains that wander in both microphones hold both voices at one level: only places tell them."""

import numpy as np
import pytest
import speech_scene
from speech_scene import RATE_HZ
from test_arrivals import heard, owned


@pytest.mark.parametrize(
    ("leak_db", "swing_db", "periods_s"), [(-5.0, 7.0, (5.0, 7.0)), (-4.0, 12.0, (2.0, 2.7))]
)
def test_each_word_is_its_speakers_though_both_gains_wander(
    leak_db: float, swing_db: float, periods_s: tuple[float, float]
) -> None:
    scene = speech_scene.make(5, leak_db=leak_db, noise_dbfs=-66.0)
    at_s = np.arange(len(scene.samples)) / RATE_HZ
    for mic, period_s in enumerate(periods_s):
        gain_db = swing_db * np.sin(2 * np.pi * at_s / period_s + mic)
        scene.samples[:, mic] *= 10 ** (gain_db / 20)
    hearing = heard(scene)
    places = hearing.activity.places
    assert places is not None
    assert not places.levels_tell
    right, wrong = owned(hearing, scene)
    assert right > 0.8
    assert wrong < 0.02
