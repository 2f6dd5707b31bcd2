"""A crowd so loud that no pause is left in which to measure it."""

from pathlib import Path

import numpy as np
import pytest
import speech_scene
from scipy.signal import fftconvolve
from speech_scene import RATE_HZ

from dualmic.take import check_take


def crowd(scene: speech_scene.Scene, over_db: float) -> np.ndarray:
    """Return many of the scene's own voices in a hall, ``over_db`` over one voice."""
    rng = np.random.default_rng(6)
    voices = scene.voices.sum(axis=1)
    talk = sum(np.roll(voices, at) for at in rng.integers(0, len(voices), 8))
    time_s = np.arange(RATE_HZ // 2) / RATE_HZ
    hall = rng.normal(0, 1, (2, len(time_s))) * np.exp(-7 * time_s)
    heard = np.column_stack([fftconvolve(talk, ear)[: len(voices)] for ear in hall])
    level = np.sqrt((voices[np.abs(voices) > 0] ** 2).mean())
    return heard * level / np.sqrt((heard**2).mean(axis=0)) * 10 ** (over_db / 20)


@pytest.mark.parametrize(("over_db", "noisy"), [(-7.0, {"interviewer", "subject"}), (-60.0, set())])
def test_a_crowd_that_leaves_no_pause_is_too_much_noise(
    over_db: float, noisy: set[str], tmp_path: Path
) -> None:
    scene = speech_scene.make(2, gap_s=0.4)
    scene.samples += crowd(scene, over_db)
    scene.samples *= 0.5
    record = check_take([scene.write(tmp_path / "take.wav")])
    told = [p for p in record.problems if p.kind == "noise" and p.severity != "note"]
    assert {p.mic for p in told} == noisy
    assert record.mics["subject"].speech_to_noise_db is None
