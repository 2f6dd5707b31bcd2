"""Bands and floors unpacked a stretch at a time are those of the whole take."""

import numpy as np
import pytest
import speech_scene

from dualmic.measure import measure
from dualmic.meters import bands, floor
from dualmic.meters.speech import find_speech


@pytest.fixture(scope="module")
def bands_db() -> np.ndarray:
    scene = speech_scene.make(4)
    return measure([scene.samples], speech_scene.RATE_HZ, 2).spectra.bands_db


@pytest.mark.parametrize(("stretch", "kept"), [(1000, 120_000), (2500, 0), (100_000, 0)])
def test_who_speaks_does_not_depend_on_stretches(
    bands_db: np.ndarray, monkeypatch: pytest.MonkeyPatch, stretch: int, kept: int
) -> None:
    usual = find_speech(bands_db)
    monkeypatch.setattr(bands, "STRETCH_CELLS", stretch)
    monkeypatch.setattr(bands, "KEPT_CELLS", kept)
    again = find_speech(bands_db)
    assert len(usual.turns) >= 6
    assert again.turns == usual.turns
    np.testing.assert_array_equal(again.own, usual.own)
    np.testing.assert_allclose(again.leak_ratio, usual.leak_ratio, rtol=1e-4)


def test_the_floor_between_groups_is_drawn_out_straight_in_decibels() -> None:
    level = np.random.default_rng(0).normal(-12, 1, (2, 40)).astype(np.float32)
    got = floor.floor_at(level, 20, 143)
    middles = (np.arange(40) + 0.5) * floor.GROUP
    cells = np.arange(20, 143) + 0.5
    want = np.exp([np.interp(cells, middles, row) for row in level])
    np.testing.assert_allclose(got, want, rtol=1e-5)


def test_the_floor_lies_on_a_steady_noise_and_under_speech() -> None:
    rng = np.random.default_rng(1)
    power = (1e-6 * rng.chisquare(16, 6000) / 16).astype(np.float32)
    syllables = np.sin(2 * np.pi * 2 * np.arange(300) / 100) ** 2  # four a second
    power[2000:2300] *= (1 + 1000 * syllables).astype(np.float32)
    got = 10 * np.log10(floor.noise_floor(power))
    assert np.abs(got + 60).max() < 1.5


def test_voice_power_is_the_smoothed_sum_of_its_bands(bands_db: np.ndarray) -> None:
    power = (10 ** (bands_db[0, :, 1:5].astype(float) / 10)).sum(axis=1)
    np.testing.assert_allclose(bands.voice_power(bands_db[0]), power, rtol=1e-4)
    smooth = np.convolve(power, np.ones(5) / 5, mode="same")[2:-2]
    got = bands.voice_power(bands_db[0], smooth_cells=5)[2:-2]
    np.testing.assert_allclose(got, smooth, rtol=1e-3)


def test_mean_db_is_that_of_the_chosen_cells(bands_db: np.ndarray) -> None:
    chosen = np.random.default_rng(0).random(bands_db.shape[1]) < 0.3
    want = 10 * np.log10((10 ** (bands_db[1, chosen].astype(float) / 10)).mean(axis=0))
    np.testing.assert_allclose(bands.mean_db(bands_db[1], chosen), want, atol=1e-3)
