"""Gains that jump, told from levels alone: whose it was, and where other things mislead."""

from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from dualmic.findings.base import BLOCKS_PER_S
from dualmic.findings.gain_scan import GainRise
from dualmic.findings.gain_steps import is_near, with_gain_rises
from dualmic.findings.jump_sound import Sound
from dualmic.findings.jumps import Jump, whose
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
        sound = Sound(levels, [nobody, everybody, nobody])
        assert whose(sound, AT, 8.0) == 1


def rise(mic: int, at: int, by_db: float, *, share: float = 1.0, plainly: float = 9.0) -> GainRise:
    return GainRise(mic, at, at, at, by_db, 50.0, plainly, share)


@pytest.mark.parametrize(
    ("sure", "mic", "share", "expected"),
    [(False, 1, 1.0, True), (True, 1, 1.0, False), (False, 0, 1.0, False), (False, 1, 0.7, False)],
)
def test_only_an_unsure_moment_yields_to_a_plain_rise_of_that_microphone(
    sure: bool, mic: int, share: float, expected: bool
) -> None:
    """The background rises 3.5 s before the moment that voices told."""
    told = rise(mic, 2 * BLOCKS_PER_S, 8.0 if mic else -8.0, share=share)
    assert is_near(Jump(1, 5.5, 8.0, (5.5, 5.7), sure), told) is expected


def one_voice(mic: int, by_db: float) -> tuple[Hearing, np.ndarray, np.ndarray]:
    """Return a take in which the first person speaks every other two seconds; a gain jumps."""
    rng = np.random.default_rng(2)
    levels = -70.0 + rng.normal(0, 0.5, (2, BLOCKS, 8))
    speaks = np.arange(BLOCKS) // (2 * BLOCKS_PER_S) % 2 == 0
    levels[0][speaks] += 20.0
    levels[1][speaks] += 12.0
    levels[mic, AT:] += by_db
    cells = speaks.repeat(5)
    person = np.stack([cells, np.zeros_like(cells)])
    activity = SimpleNamespace(own=person, single=person, pause=~cells)
    hearing = SimpleNamespace(activity=activity, dead=np.zeros((2, len(cells)), bool))
    return cast(Hearing, hearing), levels, ~speaks


@pytest.mark.parametrize(
    ("mic", "by_db", "plainly", "whose", "sure"),
    [
        (0, -8.5, 9.0, 0, True),
        (1, 8.5, 9.0, 0, False),  # the background says that it was the first one's
        (1, 8.5, 1.0, 1, True),  # it hardly tells: what both hear does
        (1, 8.5, 30.0, 0, True),  # so plainly that it is enough
    ],
)
def test_a_jump_is_sure_where_it_is_clear_whose_it_is(
    mic: int, by_db: float, plainly: float, whose: int, sure: bool
) -> None:
    """The first microphone's background falls, and a voice against the other's by as much."""
    hearing, levels, quiet = one_voice(0, -8.5)
    at_s = AT / BLOCKS_PER_S
    jump = Jump(mic, at_s, by_db, (at_s, at_s), sure=True)
    told = [rise(0, AT, -8.5, plainly=plainly)]
    (found,) = with_gain_rises(hearing, [jump], told, levels, quiet)
    assert (found.mic, found.sure) == (whose, sure)
    assert abs(found.at_s - at_s) < 0.25


def test_a_moment_told_twice_stays_where_it_is() -> None:
    """Voices and background agree to a tenth of a second; nothing else may move it."""
    hearing, levels, quiet = one_voice(0, -8.5)
    early = AT / BLOCKS_PER_S - 0.5  # where the background does not step at all
    jump = Jump(0, early, -8.5, (early - 1.0, early + 1.0), sure=True)
    told = [rise(0, AT - 10 + 2, -8.5)]
    (found,) = with_gain_rises(hearing, [jump], told, levels, quiet)
    assert found.at_s == pytest.approx(early + 0.05)
    assert found.span_s == (found.at_s, found.at_s)


def test_what_another_jump_does_to_a_voice_proves_no_rise() -> None:
    """Three seconds before, the other gain jumped, which shifts the voice by as much."""
    hearing, levels, quiet = one_voice(0, -8.5)
    at_s = AT / BLOCKS_PER_S
    jump = Jump(0, at_s, -8.5, (at_s, at_s), sure=True)
    later = rise(1, AT + 3 * BLOCKS_PER_S, 8.0)
    found = with_gain_rises(hearing, [jump], [later], levels, quiet)
    assert [(each.mic, each.sure) for each in found] == [(0, True)]
