"""Gains that wander in both microphones hold both voices at one level: only places tell them."""

import numpy as np
import pytest
import speech_scene
from speech_scene import RATE_HZ
from test_arrivals import heard, owned

from dualmic.meters.places import CELLS_EACH
from dualmic.meters.placing import find_places


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


@pytest.mark.parametrize(("quiet_moments", "is_somebody"), [(900, True), (500, False)])
def test_words_under_the_noise_keep_their_place(quiet_moments: int, is_somebody: bool) -> None:
    """Both voices are heard for 350 moments of a take, and one in most of what counts as quiet.

    Where that is most of the take, it is words; where it is less, it is a machine.
    """
    first, second, heard_moments = 3.0, -3.0, 350
    rng = np.random.default_rng(3)
    quiet = np.arange(heard_moments + quiet_moments) >= heard_moments
    places_ms = np.where(rng.random(len(quiet)) < 0.5, first, second)
    places_ms[quiet] = np.where(rng.random(quiet.sum()) < 0.7, second, rng.uniform(-20, 20))
    arrivals = np.zeros((len(quiet), 3, 2), np.float16)
    arrivals[:, 0, 0], arrivals[:, 0, 1] = places_ms, 0.5
    apart_db = np.repeat(np.where(places_ms > 0, 6.0, -9.0), CELLS_EACH)
    active = np.repeat(~quiet, CELLS_EACH)
    found = find_places(arrivals, apart_db, active, active, 0.0)
    both = found is not None and None not in found.lags_ms
    assert both == is_somebody
