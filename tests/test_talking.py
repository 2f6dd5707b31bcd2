"""Voices against backgrounds: faint ones in steady noise, and a room full of other people's."""

from itertools import pairwise

import numpy as np
import pytest
import speech_scene
from scipy.signal import butter, sosfilt
from speech_scene import INTERVIEWER, RATE_HZ, SUBJECT, Scene

from dualmic.describe import mic_of
from dualmic.hearing import Hearing, hear
from dualmic.measure import measure
from dualmic.meters.bands import Bands
from dualmic.meters.talking import hiding
from dualmic.tiles import Mask


def heard(samples: np.ndarray) -> Hearing:
    return hear(measure([samples.astype(np.float32)], RATE_HZ, 2, bit_depth=24))


def voices_nearby(frames: int, level_dbfs: float, seed: int) -> np.ndarray:
    """Return a crowd for two microphones ``(frames, 2)``: sixteen voices, backwards and late."""
    rng = np.random.default_rng(seed)
    said = [voice for person in speech_scene.utterances() for voice in person]
    crowd = np.zeros((frames, 2))
    for number in range(16):
        spoken = np.concatenate([said[(number + k) % len(said)][::-1] for k in range(6)])
        for mic in (0, 1):
            crowd[:, mic] += np.resize(np.roll(spoken, rng.integers(len(spoken))), frames)
    return crowd * 10 ** (level_dbfs / 20) / np.sqrt(np.mean(crowd**2))


def spoken_by(scene: Scene, who: int) -> np.ndarray:
    """Return where a person speaks, by 10 ms."""
    mask = np.zeros(len(scene.samples) // (RATE_HZ // 100), bool)
    for speaker, start_s, end_s in scene.spoken:
        if speaker == who:
            mask[round(start_s * 100) : round(end_s * 100)] = True
    return mask


@pytest.mark.parametrize("noise_dbfs", [-42.0, -26.0])
def test_a_voice_little_over_a_steady_noise_is_heard(noise_dbfs: float) -> None:
    """White noise, which covers consonants first; voices are at -26 dBFS."""
    scene = speech_scene.make(4, noise_dbfs=noise_dbfs)
    found = heard(scene.samples).activity
    for who in (0, 1):
        spoken = spoken_by(scene, who)
        cells = min(len(spoken), found.own.shape[1])
        assert found.own[who, :cells][spoken[:cells]].mean() > 0.8


@pytest.mark.parametrize("seed", [1, 2])
def test_a_crowd_is_nobodys_turn_and_its_noise_is_measured(seed: int) -> None:
    scene = speech_scene.make(5, leak_db=-20.0, gap_s=2.5)
    crowd = voices_nearby(len(scene.samples), -38.0, seed)
    scene.samples += crowd
    hearing = heard(scene.samples)
    nobody = ~(spoken_by(scene, 0) | spoken_by(scene, 1))
    own = hearing.activity.own
    assert (own[0] | own[1])[: len(nobody)][nobody[: own.shape[1]]].mean() < 0.25
    mic = mic_of(hearing, INTERVIEWER, 1)
    assert mic.noise_floor_dbfs == pytest.approx(-38.0, abs=2.0)


def test_a_steady_noise_alone_is_nobodys_voice() -> None:
    noise = np.random.default_rng(5).normal(0, 0.01, (20 * RATE_HZ, 2))
    assert not heard(noise).activity.own.any()


def clatter(scene: Scene, level_dbfs: float) -> Mask:
    """Let keys clatter in both microphones in the pauses, six a second, over 2.4 kHz."""
    rng = np.random.default_rng(7)
    high = butter(4, [2600, 7000], "bandpass", fs=RATE_HZ, output="sos")
    there = np.zeros(len(scene.samples) // (RATE_HZ // 100), bool)
    for (_, _, end_s), (_, start_s, _) in pairwise(scene.spoken):
        if start_s - end_s < 2.0:
            continue
        there[round(end_s * 100) + 50 : round(start_s * 100) - 50] = True
        for at_s in np.arange(end_s + 0.5, start_s - 0.6, 0.16):
            key = sosfilt(high, rng.normal(0, 1, 4800) * np.exp(-np.arange(4800) / 1200))
            key *= 10 ** (level_dbfs / 20) / np.sqrt(np.mean(key**2))
            start = round(at_s * RATE_HZ)
            scene.samples[start : start + len(key)] += key[:, None]
    return there


def hum(frames: int, level_dbfs: float) -> np.ndarray:
    """Return mains hum of 60 Hz with all harmonics up to 2.3 kHz, ``(frames,)``."""
    turn = 2 * np.pi * 60 * np.arange(frames) / RATE_HZ
    lines = sum(np.sin(k * turn + k * k) for k in range(1, 39))
    return np.asarray(lines * 10 ** (level_dbfs / 20) / np.std(lines))


def test_keys_that_clatter_over_a_hum_are_nobodys_words() -> None:
    """The hum of the interviewer's microphone hides all that keys and words have below 2.4 kHz."""
    scene = speech_scene.make(4, leak_db=-20.0, gap_s=3.0)
    scene.samples[:, INTERVIEWER] += hum(len(scene.samples), -36.0)
    keys = clatter(scene, -46.0)
    own = heard(scene.samples).activity.own
    keys = keys[: own.shape[1]]
    assert own[INTERVIEWER, : len(keys)][keys].mean() < 0.02
    asked = spoken_by(scene, INTERVIEWER)[: own.shape[1]]
    assert own[INTERVIEWER, : len(asked)][asked].mean() > 0.8


def test_who_is_as_loud_as_usual_hides_under_a_loud_leak_alone() -> None:
    scene = speech_scene.make(3, leak_db=-20.0)
    bands = Bands(measure([scene.samples.astype(np.float32)], RATE_HZ, 2).spectra.bands_db)
    alone = np.stack([spoken_by(scene, who)[: bands.cells] for who in (0, 1)])
    answers = alone[SUBJECT]
    shares = []
    for leak_db in (-20.0, 6.0):
        ratio = np.full((2, bands.count), 10 ** (leak_db / 10))
        hidden = hiding(bands, ratio, [3.0, 3.0], None, alone, answers)
        shares.append(hidden[INTERVIEWER][answers].mean())
    assert shares[0] < 0.1
    assert shares[1] > 0.5
