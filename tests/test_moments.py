"""The moment at which a background changes, while voices cover most of it."""

import numpy as np
import pytest

from dualmic.findings.moments import moment

BLOCKS, BANDS = 400, 7


def talked_over(rng: np.random.Generator, at: int, by_db: float, covered: float) -> np.ndarray:
    """Levels of a background that steps, under voices that leave each band now and then."""
    background = np.where(np.arange(BLOCKS) < at, -70.0, -70.0 + by_db)[None, :, None]
    levels = background + rng.normal(0, 1.5, (2, BLOCKS, BANDS))
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
