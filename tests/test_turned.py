"""An input that was turned and turned back is listened to as if nobody had touched it."""

import numpy as np
import pytest
import speech_scene
from speech_scene import RATE_HZ, SUBJECT

from dualmic.findings.base import Finding
from dualmic.findings.turned import hear_two, turned_back
from dualmic.measure import measure
from dualmic.meters.gains import GainStep
from dualmic.record import Severity

DOWN = GainStep(SUBJECT, 20.0, -6.0)


def jump(at_s: float, by_db: float, severity: Severity = "note", mic: int = SUBJECT) -> Finding:
    return Finding("level_jump", mic, at_s - 0.1, at_s + 0.1, severity, by_db)


def test_a_jump_that_is_unsure_by_itself_is_undone_where_it_takes_a_sure_one_back() -> None:
    """Turned down by 6 dB, which is sure, and up again by what is a note alone."""
    scene = speech_scene.make(6)
    scene.samples[round(24.6 * RATE_HZ) : round(39.9 * RATE_HZ), SUBJECT] *= 10 ** (-6.0 / 20)
    scene.samples[round(39.9 * RATE_HZ) :, SUBJECT] *= 10 ** (-1.3 / 20)
    samples = scene.samples.astype(np.float32)
    hearing, _ = hear_two(measure([samples], RATE_HZ, 2, bit_depth=24))
    down, up = hearing.gains
    assert (down.at_s, down.by_db) == (pytest.approx(24.6, abs=0.25), pytest.approx(-6.0, abs=1.0))
    assert (up.at_s, up.by_db) == (pytest.approx(39.9, abs=0.25), pytest.approx(4.7, abs=1.0))


def test_the_jump_that_comes_nearest_takes_a_step_back() -> None:
    found = [jump(5.0, 7.2), jump(40.0, 5.8), jump(50.0, 5.0)]
    assert turned_back([DOWN], found) == [GainStep(SUBJECT, 40.0, 5.8)]


@pytest.mark.parametrize(
    "found",
    [
        jump(40.0, 4.0),  # too small to be the same turn of the knob
        jump(40.0, -6.0),  # turned down once more
        jump(40.0, 6.0, mic=1 - SUBJECT),  # the other input
        jump(21.0, 6.0),  # where the sure one is
        Finding("background_change", SUBJECT, 40.0, 40.2, "note", 6.0),
        Finding("level_jump", SUBJECT, 0.0, 60.0, "note", 6.0, facts={"automatic": True}),
    ],
)
def test_nothing_else_takes_a_step_back(found: Finding) -> None:
    assert turned_back([DOWN], [found]) == []


def test_a_step_is_taken_back_once() -> None:
    up = GainStep(SUBJECT, 40.0, 6.0)
    assert turned_back([DOWN, up], [jump(50.0, 6.0), jump(10.0, -6.0)]) == []
