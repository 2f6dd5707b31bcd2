"""Steps of a background: which of them a gain makes, and what a gap leaves of them."""

import numpy as np
import pytest
import speech_scene
from speech_scene import INTERVIEWER, RATE_HZ, SUBJECT

from dualmic.findings import parts
from dualmic.findings.base import Limits
from dualmic.findings.changes import changes
from dualmic.findings.jump_sound import Sound, shift_of
from dualmic.findings.jumps import first_told, is_gain, whose
from dualmic.findings.quiet_steps import find_quiet_steps
from dualmic.hearing import hear
from dualmic.measure import measure


def test_a_gap_leaves_what_the_rest_of_a_background_tells() -> None:
    """One microphone is gone for a tenth of a second, half a second before both change."""
    blocks = np.random.default_rng(1).normal(-70.0, 1.0, (2, 200, 8))
    blocks[:, 100:] += 8.0
    blocks[0, 89:91] = np.nan
    quiet = np.ones(200, bool)
    (step,) = find_quiet_steps(blocks, quiet, ~quiet, quiet)
    assert abs(step.at - 100) <= 1
    assert np.allclose(step.by_db, 8.0, atol=1.0)


BLOCKS, AT = 200, 100
# What each microphone's bands change by at the moment, in how many blocks, and whether a gain does
# that.
OWN, TURNED = [-6.0, -6.2, -5.9, -5.8], [0.1, -0.2, 0.0, 0.1]
TO_OTHER = [6.0, 6.2, 5.9, 5.8]


def over_a_room(apart_db: float) -> tuple[np.ndarray, np.ndarray]:
    """Return levels of one voice, the second's, with a rest every half second, and where it is."""
    levels = np.random.default_rng(2).normal(-40.0, 1.0, (2, BLOCKS, 4))
    levels[0] -= apart_db
    talks = np.arange(BLOCKS) % 10 < 7
    levels[:, ~talks] = -80.0
    return levels, talks


@pytest.mark.parametrize(
    ("own_db", "there_db", "blocks", "is_one"),
    [
        (OWN, TURNED, 1, True),
        (TURNED, TO_OTHER, 30, False),  # who turns towards the other microphone takes a while
        (TURNED, TO_OTHER, 1, True),  # no head turns in a twentieth of a second
        ([-8.0, -6.5, -5.5, -4.0], TURNED, 30, False),  # away from their own: treble falls most
        ([-8.0, -6.5, -5.5, 0.0], TURNED, 1, False),  # and no gain moves bands so unlike
        ([-8.9, -9.2, -9.0, -8.8], TURNED, 1, True),
        (TURNED, [9.0, 9.2, 8.9, 8.8], 30, True),  # by so much no one turns
    ],
)
def test_one_voice_tells_of_a_gain_where_its_own_microphone_changes(
    own_db: list[float], there_db: list[float], blocks: int, is_one: bool
) -> None:
    levels, talks = over_a_room(15.0)
    way = np.clip((np.arange(BLOCKS) - AT + blocks / 2) / blocks, 0, 1)[:, None]
    change = np.stack([way * there_db, way * own_db])
    levels[:, talks] += change[:, talks]
    sound = Sound(levels, [np.zeros_like(talks), talks, np.zeros_like(talks)])
    by_db = float(np.mean(there_db) - np.mean(own_db))
    assert is_gain(sound, AT, (0, BLOCKS), by_db) == is_one


def test_a_background_that_lies_behind_the_gain_in_part_follows_the_voice_in_part() -> None:
    """A converter's noise fills the upper bands and stays; the voice stands over all of it."""
    levels, talks = over_a_room(5.0)
    levels[0, AT:] -= 8.0
    levels[0, ~talks] = [-80.0, -80.0, -78.0, -78.0]
    levels[0, AT:][~talks[AT:]] = [-86.0, -84.0, -79.0, -78.0]
    sound = Sound(levels, [np.zeros_like(talks), talks, ~talks])
    (by,), _, _ = shift_of(sound, np.array([AT]), 0, BLOCKS)
    assert abs(by + 8.0) < 0.5
    assert is_gain(sound, AT, (0, BLOCKS), by)
    levels[0, AT:][~talks[AT:]] = [-74.0, -76.0, -78.0, -78.0]  # towards the other side: a machine
    machine = Sound(levels, [np.zeros_like(talks), talks, ~talks])
    assert not is_gain(machine, AT, (0, BLOCKS), -8.0)


@pytest.mark.parametrize("mic", [0, 1])
@pytest.mark.parametrize("room_db", [-2.0, 2.0])
def test_whose_gain_it_was_shows_beside_a_room_that_swells(mic: int, room_db: float) -> None:
    """Both microphones hear the room; what it does by itself, it does to both."""
    levels = np.random.default_rng(4).normal(-70.0, 1.0, (2, BLOCKS, 4))
    levels[:, AT + 10 :] += room_db
    levels[mic, AT:] += 6.0
    quiet = np.ones(BLOCKS, bool)
    sound = Sound(levels, [~quiet, ~quiet, quiet])
    (by,), _, _ = shift_of(sound, np.array([AT]), 0, BLOCKS)
    assert whose(sound, AT, float(by)) == mic


def test_whose_gain_it_was_is_less_sure_in_a_room_that_is_never_still() -> None:
    def told(swell_db: float) -> float:
        levels = np.random.default_rng(4).normal(-70.0, 1.0, (2, BLOCKS, 4))
        levels += swell_db * np.sin(np.arange(BLOCKS) / 6)[:, None]
        levels[0, AT:] += 6.0
        quiet = np.ones(BLOCKS, bool)
        return first_told(Sound(levels, [~quiet, ~quiet, quiet]), AT, 6.0)

    assert told(0.0) > told(5.0) + 1.0


@pytest.mark.parametrize("copy_db", [-16.0, -9.0])
@pytest.mark.parametrize("part_s", [parts.PART_S, 35])
def test_a_jump_is_told_just_before_both_channels_hold_one_microphone(
    copy_db: float, part_s: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The subject's gain jumps; two seconds later the other channel becomes a fainter copy."""
    monkeypatch.setattr(parts, "PART_S", part_s)
    monkeypatch.setattr(parts, "AROUND_S", 20)
    scene = speech_scene.make(8, leak_db=-20.0)
    at_s = scene.spoken[5][2] - 1.0
    scene.samples[round(at_s * RATE_HZ) :, SUBJECT] *= 2
    copied = slice(round(scene.spoken[6][1] * RATE_HZ), round(scene.spoken[9][2] * RATE_HZ))
    scene.samples[copied, INTERVIEWER] = scene.samples[copied, SUBJECT] * 10 ** (copy_db / 20)
    hearing = hear(measure([scene.samples.astype(np.float32)], RATE_HZ, 2, bit_depth=24))
    told = [f for f in changes(hearing, Limits()) if f.severity != "note"]
    assert [(f.kind, f.mic) for f in told] == [("level_jump", SUBJECT)]
    assert abs((told[0].start_s + told[0].end_s) / 2 - at_s) < 0.25
    assert told[0].value == pytest.approx(6.0, abs=1.0)
