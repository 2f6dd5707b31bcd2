"""Whether a background comes at once or slowly, while voices cover most of it."""

import numpy as np
import pytest
from scipy.special import expit
from test_moments import BANDS, BLOCKS, talked_over

from dualmic.findings.at_once import at_once
from dualmic.findings.machines import AT_ONCE_BOTH, AT_ONCE_EACH

AT = 200
EVERYWHERE = np.ones(BLOCKS, bool)
BEFORE = np.full((2, BANDS), -70.0)


def nepers(levels: np.ndarray, by_db: float, told: int = AT) -> np.ndarray:
    return at_once(levels, BEFORE, BEFORE + by_db, told, (EVERYWHERE, ~EVERYWHERE))


@pytest.mark.parametrize("by_db", [-9.0, 9.0])
@pytest.mark.parametrize("off", [-10, 0, 10])
def test_a_machine_that_starts_under_talk_starts_at_once(by_db: float, off: int) -> None:
    """Also where the moment was told half a second off; words fill half of all syllables."""
    for seed in range(10):
        levels = talked_over(np.random.default_rng(seed), AT, by_db, 0.5)
        found = nepers(levels, by_db, AT + off)
        assert found.min() > AT_ONCE_EACH
        assert found.sum() > AT_ONCE_BOTH


@pytest.mark.parametrize("takes_s", [1.6, 3.0, 6.0])
@pytest.mark.parametrize("by_db", [-9.0, 9.0])
def test_what_takes_a_second_and_a_half_comes_slowly(by_db: float, takes_s: float) -> None:
    """The course is an S, none of the straight lines that are held against it."""
    course = expit((np.arange(BLOCKS) - AT) / (20 * takes_s) * 6)  # from 5 to 95 %
    for seed in range(10):
        levels = talked_over(np.random.default_rng(seed), BLOCKS, by_db, 0.5)
        found = nepers(levels + by_db * course[None, :, None], by_db)
        assert found.min() < AT_ONCE_EACH
        assert found.sum() < AT_ONCE_BOTH


def test_a_microphone_of_which_nothing_is_known_says_nothing() -> None:
    levels = talked_over(np.random.default_rng(1), AT, 9.0, 0.5)
    levels[1] = np.nan
    found = nepers(levels, 9.0)
    assert found[0] > AT_ONCE_EACH
    assert not found[1] > 0
    unknown = BEFORE.copy()
    unknown[1] = np.nan
    found = at_once(levels, unknown, unknown + 9.0, AT, (EVERYWHERE, ~EVERYWHERE))
    assert np.isnan(found).tolist() == [False, True]


@pytest.mark.parametrize("at", [30, BLOCKS - 30])
def test_a_machine_that_starts_near_an_end_of_the_take_starts_at_once(at: int) -> None:
    """A second and a half of it is enough."""
    for seed in range(10):
        levels = talked_over(np.random.default_rng(seed), at, 9.0, 0.5)
        assert nepers(levels, 9.0, at).min() > AT_ONCE_EACH
