"""What looks like a gain that jumps and is none, on mixes of real speech."""

import numpy as np
import pytest
import speech_scene
from scipy import signal
from speech_scene import INTERVIEWER, RATE_HZ, SUBJECT
from test_changes import findings


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_wave_that_swells_beside_one_microphone_is_no_gain(seed: int) -> None:
    """It covers the subject's leak there, so the voice seems to shift by as much."""
    scene = speech_scene.make(4, noise_dbfs=-75.0, gap_s=1.0)
    surf = np.random.default_rng(seed).standard_normal(len(scene.samples))
    surf = signal.sosfilt(signal.butter(1, 1500, fs=RATE_HZ, output="sos"), surf)
    at_s = np.arange(len(surf)) / RATE_HZ
    start_s, end_s = scene.answers()[1]
    middle_s = (start_s + end_s) / 2
    swell_db = 8.0 / (1 + np.exp(-(at_s - middle_s) / 0.5))
    swell_db -= 8.0 / (1 + np.exp(-(at_s - middle_s - 12.0) / 1.5))
    scene.samples[:, INTERVIEWER] += 10 ** ((-44.0 + swell_db) / 20) * surf / surf.std()
    assert [f for f in findings(scene.samples) if f.severity == "warn"] == []


def test_where_one_microphone_takes_the_others_place_no_gain_jumps() -> None:
    """The interviewer says too little before it for their level to be told."""
    scene = speech_scene.make(4, speakers=(SUBJECT,), gains_db=(0.0, 6.0))
    at = round(14.0 * RATE_HZ)
    scene.samples[at:, INTERVIEWER] = scene.samples[at:, SUBJECT]
    assert findings(scene.samples) == []
