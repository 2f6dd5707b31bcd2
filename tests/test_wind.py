"""Wind under words that the voice outdoes: what blows on, and a deep voice that does not."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import butter, sosfilt
from speech_scene import INTERVIEWER, RATE_HZ, SUBJECT, make
from test_sounds import lay, problems

from dualmic.hearing import hear
from dualmic.measure import measure
from dualmic.unwanted import gusts


def blow(length_s: float, rms_dbfs: float, from_s: float = 0.2) -> np.ndarray:
    """Return a blow that comes up, stays, wavers and goes, as much up to 180 Hz as below 100 Hz."""
    count = round(length_s * RATE_HZ)
    rng = np.random.default_rng(11)
    sound = sosfilt(butter(2, 150, fs=RATE_HZ, output="sos"), rng.standard_normal(count))
    knots = rng.uniform(0.7, 1.3, max(3, round(3 * length_s)))
    sound *= np.interp(np.linspace(0, 1, count), np.linspace(0, 1, len(knots)), knots)
    edge = round(from_s * RATE_HZ)
    sound[:edge] *= np.linspace(0, 1, edge)
    sound[-edge:] *= np.linspace(1, 0, edge)
    return sound / np.sqrt(np.mean(sound**2)) * 10 ** (rms_dbfs / 20)


@pytest.mark.parametrize(("length_s", "found"), [(2.5, 1), (0.7, 0)])
def test_what_blows_on_for_a_second_is_wind_though_the_voice_holds_more(
    tmp_path, length_s, found
) -> None:
    """A voice leaves the low end alone between syllables; shorter blows may be plosives."""
    scene = make(2)
    start_s = scene.answers()[0][0] + 0.5
    lay(scene, (SUBJECT,), start_s, blow(length_s, -29))
    told = problems(scene, tmp_path, "wind")
    assert [p.mic for p in told] == ["subject"] * found
    assert all(abs(p.start_s - start_s) < 0.25 for p in told)


def test_a_deep_voice_that_goes_on_is_no_wind(tmp_path) -> None:
    """Its first tone is below 100 Hz, and weaker than its second and third together."""
    scene = make(2)
    start_s = scene.answers()[0][0] + 0.5
    time_s = np.arange(round(2.0 * RATE_HZ)) / RATE_HZ
    turns = 2 * np.pi * np.cumsum(88 + 4 * np.sin(2 * np.pi * 2 * time_s)) / RATE_HZ
    tones = sum(level * np.sin(k * turns) for k, level in ((1, 0.5), (2, 1.0), (3, 0.8)))
    swell = 0.75 + 0.25 * np.sin(2 * np.pi * 3 * time_s)
    lay(scene, (SUBJECT,), start_s, 0.12 * tones * swell * np.hanning(len(time_s)) ** 0.25)
    assert problems(scene, tmp_path, "wind") == []


def test_wind_that_passes_for_words_does_not_excuse_itself() -> None:
    """What is usual below 100 Hz is told by words, though wind lasts for longer than those."""
    scene = make(3)
    answers = scene.answers()
    still = measure([scene.samples.astype(np.float32)], RATE_HZ, 2, bit_depth=24)
    activity = hear(still).activity
    own = activity.own.copy()
    own[INTERVIEWER, round(answers[0][0] * 100) :] = False
    for start_s, end_s in answers:
        lay(scene, (INTERVIEWER,), start_s, blow(end_s - start_s, -26))
        own[INTERVIEWER, round(start_s * 100) : round(end_s * 100)] = True
    blown = measure([scene.samples.astype(np.float32)], RATE_HZ, 2, bit_depth=24)
    found = gusts(blown, replace(activity, own=own), np.zeros_like(own))[INTERVIEWER]
    for start_s, end_s in answers:
        assert any(gust.start_s < (start_s + end_s) / 2 < gust.end_s for gust in found)
