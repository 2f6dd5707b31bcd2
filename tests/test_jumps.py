"""Gains that jump, told from levels alone: whose it was, and where other things mislead."""

from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from dualmic.findings.base import BLOCKS_PER_S
from dualmic.findings.floors import Step
from dualmic.findings.gain_steps import is_near, with_gain_steps
from dualmic.findings.jump_sound import Sound
from dualmic.findings.jumps import Jump, _split, whose
from dualmic.hearing import Hearing

BANDS = 4
BLOCKS = 20 * BLOCKS_PER_S
AT = BLOCKS // 2


def under_words(rng: np.random.Generator, by_db: float, raised_db: float) -> np.ndarray:
    """Both microphones' levels while one person speaks on; the second one's gain jumps at ``AT``.

    Whoever speaks raises their voice at the same moment, and leaves a band now and then.
    """
    later = (np.arange(BLOCKS) >= AT)[:, None]
    voice = -35.0 + rng.normal(0, 5.0, (BLOCKS, 1)) + rng.normal(0, 3.0, (BLOCKS, BANDS))
    voice += raised_db * later
    voice = np.where(rng.uniform(size=voice.shape) < 0.15, -200.0, voice)
    heard = [10 * np.log10(10 ** ((voice + gain) / 10) + 1e-8) for gain in (-10.0, 0.0)]
    levels = np.stack(heard) + rng.normal(0, 0.5, (2, BLOCKS, BANDS))
    levels[1] += by_db * later
    return levels


def test_the_lowest_levels_tell_whose_gain_jumped_under_a_voice_that_was_raised() -> None:
    """What the voice says alone is the other microphone's: it is 4 dB louder, this one 8 lower."""
    nobody, everybody = np.zeros(BLOCKS, bool), np.ones(BLOCKS, bool)
    for seed in range(5):
        levels = under_words(np.random.default_rng(seed), -8.0, 5.0)
        sound = Sound(levels, [nobody, everybody, nobody], None)
        assert whose(sound, AT, 8.0) == 1


def test_a_jump_after_a_held_vowel_is_found_where_one_microphone_works() -> None:
    """A second of a vowel passes for the background, and differs by more than the gain does."""
    rng = np.random.default_rng(1)
    count, at = 2 * BLOCKS, BLOCKS
    levels = -75.0 + rng.normal(0, 1.0, (count, BANDS))
    vowel = slice(at - 10 * BLOCKS_PER_S, at - 9 * BLOCKS_PER_S)
    levels[vowel] += (20.0, 14.0, 4.0, 0.0)
    levels[at:] -= 7.0
    free = np.arange(count) % BLOCKS_PER_S == 0
    free[vowel] = True
    nobody = np.zeros(count, bool)
    found = _split(Sound(np.stack([levels, levels]), [nobody, nobody, free], 0))
    told = [jump for jump in found if abs(jump.at_s - at / BLOCKS_PER_S) < 1.0]
    assert len(told) == 1
    assert abs(told[0].by_db + 7.0) < 1.0


@pytest.mark.parametrize(
    ("sure", "uneven_db", "expected"),
    [(False, 0.5, True), (True, 0.5, False), (False, 4.0, False)],
)
def test_only_an_unsure_moment_yields_to_a_step_of_nearly_all_bands(
    sure: bool, uneven_db: float, expected: bool
) -> None:
    """The background steps 3.5 s before the moment that voices told."""
    by_db = np.zeros((2, 8))
    by_db[1] = 8.5 + uneven_db * np.tile([-1.0, 1.0], 4)
    at = 2 * BLOCKS_PER_S
    step = Step(at, at, at, by_db * 0 - 70.0, by_db, np.array([0.0, 8.5]), True)
    assert is_near(Jump(1, 5.5, 8.0, (5.5, 5.7), sure), step, 1) is expected


@pytest.mark.parametrize(("mic", "by_db", "sure"), [(0, -8.5, True), (1, 8.5, False)])
def test_a_jump_is_sure_only_where_all_agree_whose_it_is(
    mic: int, by_db: float, sure: bool
) -> None:
    """The first microphone's background falls, and a voice against the other's by as much."""
    rng = np.random.default_rng(2)
    levels = -70.0 + rng.normal(0, 0.5, (2, BLOCKS, 8))
    speaks = np.arange(BLOCKS) // (2 * BLOCKS_PER_S) % 2 == 0
    levels[0][speaks] += 20.0
    levels[1][speaks] += 12.0
    levels[0, AT:] -= 8.5
    cells = speaks.repeat(5)
    person = np.stack([cells, np.zeros_like(cells)])
    activity = SimpleNamespace(own=person, single=person, pause=~cells)
    hearing = SimpleNamespace(activity=activity, dead=np.zeros((2, len(cells)), bool))
    by = np.zeros((2, 8))
    by[0] = -8.5
    step = Step(AT, AT, AT, by * 0 - 70.0, by, np.array([-8.5, 0.0]), True)
    at_s = AT / BLOCKS_PER_S
    jump = Jump(mic, at_s, by_db, (at_s, at_s), sure)
    (told,) = with_gain_steps(cast(Hearing, hearing), [jump], ([step], []), levels, ~speaks)
    assert (told.mic, told.sure) == (0, sure)
    assert abs(told.at_s - at_s) < 0.25
