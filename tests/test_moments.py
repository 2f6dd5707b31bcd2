"""The moment at which a background changes, while voices cover most of it."""

import numpy as np
import pytest

from dualmic.findings.moments import REACH_DB, WANDER_DB, moment, of_noise

BLOCKS, BANDS = 400, 7
# Half the degrees of freedom of noise in 50 ms of bands from 80 Hz to 3.5 kHz wide: band width by
# time (Blackman and Tukey, The Measurement of Power Spectra, 1958).
HALF_DEGREES = 0.05 * np.array([80, 200, 300, 600, 1200, 1600, 3500])


def talked_over(rng: np.random.Generator, at: int, by_db: float, covered: float) -> np.ndarray:
    """Levels of a background that steps, under voices that leave each band now and then."""
    background = np.where(np.arange(BLOCKS) < at, -70.0, -70.0 + by_db)[None, :, None]
    chance = rng.gamma(HALF_DEGREES, 1 / HALF_DEGREES, (2, BLOCKS, BANDS))
    levels = background + 10 * np.log10(chance) + rng.normal(0, 0.7, (2, BLOCKS, BANDS))
    syllables = rng.uniform(size=(2, BLOCKS // 4, BANDS)).repeat(4, axis=1) < covered
    return np.where(syllables, levels + rng.uniform(3, 35, levels.shape), levels)


@pytest.mark.parametrize("by_db", [9.0, -9.0])
@pytest.mark.parametrize("at", [150, 251])
def test_a_step_under_talk_is_dated_to_a_fifth_of_a_second(at: int, by_db: float) -> None:
    everywhere = np.ones(BLOCKS, bool)
    for seed in range(10):
        levels = talked_over(np.random.default_rng(seed), at, by_db, 0.8)
        before = np.full((2, BANDS), -70.0)
        found, first, last = moment(
            levels, before, before + by_db, (180, 220), everywhere, ~everywhere
        )
        assert abs(found - at) <= 4
        assert first <= found <= last


def test_bands_that_say_nothing_are_not_asked() -> None:
    """A hum covers three bands of one microphone, and nothing is known of them."""
    nowhere = np.zeros(BLOCKS, bool)
    levels = talked_over(np.random.default_rng(3), 200, 8.0, 0.5)
    levels[0, :, :3] = -30.0
    before = np.full((2, BANDS), -70.0)
    before[0, :3] = np.nan
    found, _, _ = moment(levels, before, before + 8.0, (180, 220), ~nowhere, nowhere)
    assert abs(found - 200) <= 4


@pytest.mark.parametrize("at", [60, 340])
def test_a_moment_far_from_where_it_is_looked_for_is_found(at: int) -> None:
    """Talk may cover every pause for seconds around it."""
    everywhere = np.ones(BLOCKS, bool)
    for seed in range(10):
        levels = talked_over(np.random.default_rng(seed), at, -8.0, 0.8)
        before = np.full((2, BANDS), -70.0)
        found, _, _ = moment(levels, before, before - 8.0, (190, 210), everywhere, ~everywhere)
        assert abs(found - at) <= 4


@pytest.mark.parametrize("band", range(BANDS))
def test_levels_of_noise_spread_as_noise_does(band: int) -> None:
    """Held against drawn powers: a narrow band lies far under its median more often than over."""
    rng = np.random.default_rng(band)
    drawn = 10 * np.log10(rng.gamma(HALF_DEGREES[band], size=200_000))
    drawn += rng.normal(0, WANDER_DB, len(drawn))
    drawn -= np.median(drawn)
    dense, share = of_noise()
    level_db, step_db = np.linspace(-REACH_DB, REACH_DB, share.shape[1], retstep=True)
    for part in (0.01, 0.1, 0.5, 0.9, 0.99):
        assert np.interp(
            np.quantile(drawn, part), level_db + step_db / 2, share[band]
        ) == pytest.approx(part, abs=0.15 * min(part, 1 - part))
    assert dense[band].sum() * step_db == pytest.approx(1.0)
