"""The moment at which a gain jumps, told by the background and by who sounds how together."""

import numpy as np
import pytest

from dualmic.findings.jump_dates import Witnesses, at_its_moment
from dualmic.findings.jump_sound import Sound
from dualmic.findings.jumps import Jump, is_gain

BLOCKS, BANDS, AT, BY_DB = 600, 8, 300, 9.0
# How much louder each person's voice is in the first microphone than in the second, by band.
OWN = np.array([14.0, 12.0, 16.0, 11.0, 13.0, 15.0, 12.0, 14.0])
OTHER = np.array([-11.0, -14.0, -9.0, -13.0, -12.0, -15.0, -10.0, -12.0])
STRANGE = np.array([14.0, -12.0, 1.0, -6.0, 13.0, 1.0, -10.0, 2.0])


def talked(rng: np.random.Generator, first: int, end: int, apart: np.ndarray) -> np.ndarray:
    """Return what a voice adds to each microphone's bands between two blocks, in dB."""
    word = np.full((2, BLOCKS, BANDS), -np.inf)
    envelope = -30.0 + 8 * np.abs(np.sin(np.arange(BLOCKS) / 3))[:, None]
    loud = envelope + rng.normal(0, 3, (BLOCKS, BANDS))
    for mic, sign in ((0, 0.5), (1, -0.5)):
        word[mic, first:end] = (loud + sign * apart + rng.normal(0, 1, loud.shape))[first:end]
    return word


def place(words: list[tuple[int, int, np.ndarray]], seed: int) -> Witnesses:
    """Return a place in which these words are said, and the first gain jumps at ``AT``."""
    rng = np.random.default_rng(seed)
    power = 10 ** (rng.normal(-70.0, 1.5, (2, BLOCKS, BANDS)) / 10)
    talk = np.zeros(BLOCKS, bool)
    for first, end, apart in words:
        power += 10 ** (talked(rng, first, end, apart) / 10)
        talk[first:end] = True
    blocks = 10 * np.log10(power)
    blocks[0, AT:] += BY_DB
    return Witnesses(blocks, blocks[0] - blocks[1], ~talk, talk, ~talk)


def off_s(told: Witnesses, guess_s: float) -> float:
    """Return how far off a jump is dated that was looked for around ``guess_s``."""
    jump = Jump(0, guess_s, BY_DB, (guess_s - 0.1, guess_s + 0.1), sure=True)
    found = at_its_moment(jump, told)
    assert found.span_s[0] <= found.at_s <= found.span_s[1]
    return abs(found.at_s - AT / 20)


ANSWERS = [(20, 120, OWN), (140, 220, OTHER), (360, 440, OTHER), (460, 560, OWN)]


@pytest.mark.parametrize("guess_s", [14.3, 15.0, 15.7])
@pytest.mark.parametrize("seed", range(5))
def test_words_that_cover_the_background_tell_by_their_pattern(guess_s: float, seed: int) -> None:
    assert off_s(place([*ANSWERS, (240, 350, OWN)], seed), guess_s) <= 0.1


@pytest.mark.parametrize("guess_s", [14.3, 15.7])
@pytest.mark.parametrize("seed", range(5))
def test_beside_a_voice_that_was_never_heard_before_the_background_tells(
    guess_s: float, seed: int
) -> None:
    words = [(first, first + 6, STRANGE) for first in range(242, 350, 10)]
    assert off_s(place([*ANSWERS, *words], seed), guess_s) <= 0.2


@pytest.mark.parametrize("guess_s", [14.3, 15.7])
def test_where_the_other_microphone_is_dead_the_background_tells(guess_s: float) -> None:
    told = place(ANSWERS, 1)
    told.blocks[1] = np.nan
    told.apart_db[:] = np.nan
    assert off_s(told, guess_s) <= 0.1


def test_a_jump_of_which_nothing_tells_stays_where_it_was_found() -> None:
    told = place(ANSWERS, 1)
    told.blocks[:] = np.nan
    told.apart_db[:] = np.nan
    jump = Jump(0, 14.3, BY_DB, (14.0, 14.6), sure=False)
    assert at_its_moment(jump, told) == jump


@pytest.mark.parametrize(("share", "is_one"), [(1.0, True), (0.0, False)])
def test_no_gain_has_jumped_where_a_voice_takes_no_part(share: float, is_one: bool) -> None:
    """A background comes up in one microphone by as much in every band, as a gate's that opens."""
    rng = np.random.default_rng(4)
    talks = np.arange(BLOCKS) % 20 < 12
    levels = rng.normal(-70.0, 1.0, (2, BLOCKS, 4))
    levels[:, talks] = rng.normal(-30.0, 1.0, (2, int(talks.sum()), 4))
    levels[1, talks] -= 12.0
    later = np.arange(BLOCKS) >= AT
    levels[0, later & ~talks] += BY_DB
    levels[0, later & talks] += share * BY_DB
    sound = Sound(levels, [talks, np.zeros_like(talks), ~talks])
    assert is_gain(sound, AT, (0, BLOCKS), BY_DB) == is_one
