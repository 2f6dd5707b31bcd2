"""Gains told by one microphone's background alone, under words and beside what is no gain."""

import numpy as np
import pytest

from dualmic.findings.base import BLOCKS_PER_S
from dualmic.findings.gain_scan import GainRise, find_gain_rises
from dualmic.meters.spectrum import SPEECH_BANDS_HZ

BANDS_HZ = np.array([80, *np.diff(SPEECH_BANDS_HZ), 12_000])
BANDS = len(BANDS_HZ)
BLOCKS = 24 * BLOCKS_PER_S
AT = BLOCKS // 2
NOTHING = np.zeros(BANDS)


def noise(seed: int = 1) -> np.ndarray:
    """Return band levels of a steady noise in two microphones, 50 ms each.

    The power of noise in a band is distributed as chi-squared, of twice as many degrees of freedom
    as band width times duration (Blackman and Tukey, 1958).
    """
    degrees = 2 * BANDS_HZ * 0.05
    power = np.random.default_rng(seed).chisquare(degrees, (2, BLOCKS, BANDS)) / degrees
    return -75.0 + 10 * np.log10(power)


def with_words(levels: np.ndarray, seed: int = 2) -> np.ndarray:
    """Lay a voice over both, which leaves each band alone in a fifth of the blocks."""
    rng = np.random.default_rng(seed)
    voice = levels[:1] * 0 + rng.uniform(-75.0, -40.0, (1, BLOCKS, BANDS))
    voice[rng.uniform(size=voice.shape) < 0.2] = -200.0
    return 10 * np.log10(10 ** (levels / 10) + 10 ** ((voice - np.array([[[0]], [[10]]])) / 10))


def rises(levels: np.ndarray, *, talk: bool = False) -> list[GainRise]:
    words = np.full(levels.shape[1], talk)
    return find_gain_rises(levels, words, ~words)


@pytest.mark.parametrize("mic", [0, 1])
@pytest.mark.parametrize("by_db", [-8.0, 5.0])
@pytest.mark.parametrize("talk", [False, True])
def test_a_gain_is_told_from_the_background_of_its_microphone(
    mic: int, by_db: float, talk: bool
) -> None:
    levels = noise()
    if talk:
        levels = with_words(levels)
    levels[mic, AT:] += by_db
    (found,) = rises(levels, talk=talk)
    assert (found.mic, found.by_db) == (mic, pytest.approx(by_db, abs=1.0))
    assert abs(found.at - AT) <= 2
    assert found.plainly > 3.0


@pytest.mark.parametrize(
    "by_db",
    [
        np.full((2, BANDS), 6.0),  # a room that swells
        [np.linspace(12, 0, BANDS), np.linspace(10, 0, BANDS)],  # a machine in the room
        [[14.0, 10.0, 6.0, 3.0, 1.0, 0.0, 0.0, 0.0], NOTHING],  # one beside a microphone
        [[8.0, 8.0, *NOTHING[2:]], NOTHING],  # what fills two bands of eight
        [np.full(BANDS, 2.0), NOTHING],  # as backgrounds swell
    ],
)
def test_what_is_no_gain_is_not_told(by_db: list[np.ndarray]) -> None:
    levels = noise()
    levels[:, AT:] += np.array(by_db)[:, None]
    assert rises(levels) == []


def test_a_converters_own_noise_may_stay_where_it_is() -> None:
    levels = noise()
    levels[0, AT:, 2:] -= 8.0
    (found,) = rises(levels)
    assert (found.mic, found.by_db) == (0, pytest.approx(-8.0, abs=1.0))
    assert abs(found.at - AT) <= 1


def test_two_gains_within_three_seconds_are_told_apart() -> None:
    levels = noise()
    levels[0, AT:] += 7.0
    levels[1, AT + 3 * BLOCKS_PER_S :] -= 9.0
    first, second = rises(levels)
    assert (first.mic, second.mic) == (0, 1)
    assert abs(first.at - AT) <= 1
    assert abs(second.at - AT - 3 * BLOCKS_PER_S) <= 1


def test_a_gain_is_told_where_the_other_microphone_is_gone() -> None:
    levels = noise()
    levels[0] = np.nan
    levels[1, AT:] += 6.0
    (found,) = rises(levels)
    assert (found.mic, found.by_db) == (1, pytest.approx(6.0, abs=1.0))


@pytest.mark.parametrize("blocks", [0, 10, 39])
def test_too_little_sound_tells_nothing(blocks: int) -> None:
    assert rises(noise()[:, :blocks]) == []


def test_silence_tells_nothing() -> None:
    assert rises(noise() * np.nan) == []
