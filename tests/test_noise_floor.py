"""The noise floor, and what in a pause is no background: claps, coughs, words taken for a pause."""

from pathlib import Path

import numpy as np
import pytest
import speech_scene

from dualmic.meters.noise import noise_floor, speech_to_noise_db
from dualmic.take import check_take

FRAMES = 600  # half a minute, 50 ms apart
EVERY_DB = 10 ** (-70.0 / 10)


def floor_dba(power: np.ndarray, pause: np.ndarray) -> float:
    """Return the A-weighted floor of frames that hold the same power with and without weighting."""
    found = noise_floor(power, power, pause)
    assert found is not None
    return found.dba


def noise(rng: np.random.Generator) -> np.ndarray:
    """Power of 100 ms of noise in a band of 100 Hz: chi-squared of 20 degrees of freedom."""
    return EVERY_DB * rng.gamma(10.0, 0.1, FRAMES)


@pytest.mark.parametrize("at", [0, 7, 300, FRAMES - 8])
def test_a_clap_and_its_echo_are_no_background(at: int) -> None:
    power = noise(np.random.default_rng(1))
    echo = EVERY_DB * 10 ** (np.arange(40, 0, -5) / 10)  # 60 dB in 0.6 s: 5 dB every 50 ms
    struck = power.copy()
    struck[at : at + 8] += echo
    pause = np.ones(FRAMES, bool)
    assert floor_dba(struck, pause) == pytest.approx(10 * np.log10(power.mean()), abs=0.2)


def test_a_word_that_was_taken_for_a_pause_is_no_background() -> None:
    """It fills its pause from edge to edge; left in, its 12 frames of 312 are 26 dB."""
    power = noise(np.random.default_rng(2))
    pause = np.zeros(FRAMES, bool)
    pause[50:350] = pause[400:412] = True
    plain = 10 * np.log10(power[pause].mean())
    power[400:412] = EVERY_DB * 10**4
    assert floor_dba(power, pause) == pytest.approx(plain, abs=0.2)


def test_what_lasts_longer_than_a_second_is_background() -> None:
    power = noise(np.random.default_rng(3))
    power[200:230] += EVERY_DB * 10**2.5
    pause = np.ones(FRAMES, bool)
    assert floor_dba(power, pause) == pytest.approx(10 * np.log10(power.mean()), abs=0.01)


def test_a_machine_heard_in_many_short_pauses_is_background() -> None:
    """It runs for a quarter of the take, in which every pause lasts for half a second."""
    power = noise(np.random.default_rng(4))
    power[:150] += EVERY_DB * 10**2
    pause = np.arange(FRAMES) % 30 < 10
    assert floor_dba(power, pause) == pytest.approx(10 * np.log10(power[pause].mean()), abs=0.01)


@pytest.mark.parametrize(("words_s", "told_db"), [(1.9, None), (2.1, 20.0)])
def test_of_less_than_two_seconds_of_words_nothing_is_said(
    words_s: float, told_db: float | None
) -> None:
    power = noise(np.random.default_rng(6))
    pause = np.arange(FRAMES) < 300
    power[300:] += EVERY_DB * 10**2
    words = (np.arange(FRAMES) >= 300) & (np.arange(FRAMES) < 300 + 20 * words_s)
    told = speech_to_noise_db(power, words, noise_floor(power, power, pause))
    assert told == (None if told_db is None else pytest.approx(told_db, abs=0.2))


def test_a_slate_at_both_ends_leaves_the_noise_floor_as_it_is(tmp_path: Path) -> None:
    """Claps as loud as the loudest words; the noise that was added is -70 dBFS."""
    scene = speech_scene.make(3)
    echo_s = np.arange(19_200) / speech_scene.RATE_HZ
    # Five milliseconds, and 40 dB under them the room, which fades by 60 dB in 0.3 s.
    clap = 0.5 * np.where(echo_s < 0.005, 1.0, 0.01 * 10 ** (-60 * echo_s / 0.3 / 20))
    clap *= np.random.default_rng(5).standard_normal(19_200)
    for start_s in (0.5, len(scene.samples) / speech_scene.RATE_HZ - 0.7):
        at = round(start_s * speech_scene.RATE_HZ)
        scene.samples[at : at + len(clap)] += clap[:, None]
    record = check_take([scene.write(tmp_path / "slate.wav")])
    for mic in record.mics.values():
        assert mic.noise_floor_dbfs == pytest.approx(-70.0 + 10 * np.log10(19980 / 24000), abs=0.3)
    assert "noise" not in {problem.kind for problem in record.problems}
