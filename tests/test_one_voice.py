"""Whose voice it is where both microphones hear one, and which turns a muted microphone makes."""

from dataclasses import replace

import numpy as np
import pytest

from dualmic.dead_mics import without_gaps
from dualmic.meters.one_voice import with_one_owner
from dualmic.meters.places import Places
from dualmic.meters.speech import activity_of
from dualmic.meters.two_voices import TwoVoices

CELLS = 3000
BANDS = 6


def _syllables(seed: int, level_db: float) -> np.ndarray:
    """Return ``(cells, bands)`` in dB that rise and fall as syllables do."""
    rng = np.random.default_rng(seed)
    curve = np.interp(np.arange(CELLS), np.arange(0, CELLS, 10), rng.normal(0, 6, CELLS // 10))
    return np.repeat(level_db + curve[:, None], BANDS, axis=1)


def _known(leak_db: float) -> np.ndarray:
    """Return both microphones' bands ``(2, cells, bands)``.

    The first person alone for 5 s, the second alone for 5 s, and silence.
    """
    bands_db = np.full((2, CELLS, BANDS), -90.0)
    for who, part in enumerate((slice(0, 500), slice(500, 1000))):
        voice = _syllables(10 + who, -30)[part]
        bands_db[who, part], bands_db[1 - who, part] = voice, voice + leak_db
    return bands_db


def _apart(bands_db: np.ndarray) -> float:
    """Return how far the cells from 20 to 24 s are on the way from one voice to two."""
    alone = np.zeros((2, CELLS), bool)
    alone[0, :500] = alone[1, 500:1000] = True
    pause = np.zeros(CELLS, bool)
    pause[1000:2000] = True
    voices = TwoVoices(bands_db, alone, pause)
    return float(np.nanmedian(voices.apart(2000, 2400, np.ones(400, bool))))


@pytest.mark.parametrize("leak_db", [-20.0, -12.0, -6.0])
def test_one_voice_is_told_from_two_however_close_people_sit(leak_db: float) -> None:
    part = slice(2000, 2400)
    # Somebody turned round: one voice, 2 dB down in the other microphone.
    bands_db = _known(leak_db)
    voice = _syllables(3, -30)[part]
    bands_db[0, part], bands_db[1, part] = voice, voice - 2
    assert _apart(bands_db) < 0.2
    # Both talk: two voices, each leaking as it always does.
    first, second = (10 ** (_syllables(seed, -30)[part] / 10) for seed in (4, 5))
    leak = 10 ** (leak_db / 10)
    bands_db[0, part] = 10 * np.log10(first + leak * second)
    bands_db[1, part] = 10 * np.log10(second + leak * first)
    assert _apart(bands_db) > 0.6


def test_a_late_wireless_link_changes_neither() -> None:
    bands_db = _known(-6.0)
    part = slice(2000, 2400)
    voice = _syllables(3, -30)[part]
    bands_db[0, part], bands_db[1, part] = voice, voice - 2
    bands_db[1] = np.roll(bands_db[1], 2, axis=0)
    assert _apart(bands_db) < 0.2


def test_who_turned_round_keeps_the_answer() -> None:
    # The subject answers from 10 to 20 s, 2 dB louder in their own microphone; the interviewer
    # asked before and asks on after.
    voice = _syllables(3, -30)
    bands_db = np.stack([voice - 2, voice])
    own = np.zeros((2, CELLS), bool)
    own[0, 500:1000] = own[0, 2050:2500] = True
    own[:, 1000:2000] = True
    owned = with_one_owner(bands_db, own, 0.0)
    assert owned[1, 1000:2000].all()
    assert not owned[0, 1000:2000].any()


def test_two_people_who_talk_at_once_both_keep_their_turns() -> None:
    bands_db = np.stack([_syllables(4, -30), _syllables(5, -30)])
    own = np.zeros((2, CELLS), bool)
    own[:, 1000:1400] = True
    assert (with_one_owner(bands_db, own, 0.0) == own).all()


def test_a_pack_that_mutes_itself_leaves_the_other_persons_turns() -> None:
    # The first microphone mutes while its wearer is silent: the second one's words at their usual
    # level stay a turn, words at the first voice's leak level do not.
    bands_db = np.full((2, CELLS, BANDS), -90.0)
    bands_db[0, :1000], bands_db[1, :1000] = -30, -45
    bands_db[1, 1500:2000], bands_db[1, 2400:2500] = -30, -45
    own = np.zeros((2, CELLS), bool)
    own[0, :1000] = True
    own[1, 1500:2000] = own[1, 2400:2500] = True
    muted = np.zeros((2, CELLS), bool)
    muted[0, 1400:] = True
    activity = activity_of(own, (15.0, None), np.zeros((2, BANDS)))
    places = Places((3.0, -3.0), np.zeros((2, 2, CELLS // 10), np.float32), CELLS)
    told = without_gaps(bands_db, replace(activity, places=places), muted)
    assert told.own[1, 1500:2000].all()
    assert not told.own[1, 2400:2500].any()
    assert told.places is places  # people stay where they are


class _BothShow(Places):
    """Both people's places stand out from 20 to 24 s."""

    def together(self) -> np.ndarray:
        found = np.zeros(self.cells, bool)
        found[2000:2400] = True
        return found


@pytest.mark.parametrize(
    ("fainter_db", "heard", "two"),
    [
        (200.0, False, False),
        (0.0, False, True),
        (20.0, False, False),  # levels part a little, as with a machine beside the voice
        (20.0, True, True),  # and in some of it a second voice is heard over the leak
    ],
)
def test_two_people_show_in_levels_and_not_by_their_places_alone(
    fainter_db: float, heard: bool, two: bool
) -> None:
    """The beats of a pitch, or a machine, may lie where the other person sits."""
    part = slice(2000, 2400)
    bands_db = _known(-15.0)
    first, second = (_syllables(seed, -30)[part] for seed in (4, 5))
    power = [10 ** (level / 10) for level in (first - fainter_db, second)]
    bands_db[0, part], bands_db[1, part] = (
        10 * np.log10(power[k] + power[1 - k] * 10**-1.5) for k in (0, 1)
    )
    own = np.zeros((2, CELLS), bool)
    own[0, :500] = own[1, 500:1000] = own[1, part] = True
    own[0, 2100:2160] = heard
    places = _BothShow((3.0, -3.0), np.zeros((2, 2, CELLS // 10), np.float32), CELLS)
    owned = with_one_owner(bands_db, own, 0.0, places)
    assert owned[1, part].all()
    assert owned[0, part].all() == two
    assert two or not owned[0, part].any()


@pytest.mark.parametrize(
    ("cells", "can_hide", "talks"), [(400, True, True), (400, False, False), (70, False, True)]
)
def test_who_could_not_hide_under_the_leak_and_is_not_heard_is_silent(
    cells: int, can_hide: bool, talks: bool
) -> None:
    """Places and levels part as with two voices, as when keys clatter beside the one.

    So short, it may be an assent, which is softer than all other words.
    """
    part = slice(2000, 2000 + cells)
    bands_db = _known(-15.0)
    bands_db[:, part] = np.stack([_syllables(seed, -30)[part] for seed in (4, 5)])
    own = np.zeros((2, CELLS), bool)
    own[0, :500] = own[1, 500:1000] = own[1, part] = True
    places = _BothShow((3.0, -3.0), np.zeros((2, 2, CELLS // 10), np.float32), CELLS)
    at_once = np.zeros(CELLS, bool)
    at_once[part] = True
    hidden = np.full((2, CELLS), can_hide)
    owned = with_one_owner(bands_db, own, 0.0, places, at_once, lambda _: hidden)
    assert owned[1, part].all()
    assert owned[0, part].all() == talks
    assert talks or not owned[0, part].any()


def test_levels_that_always_part_take_no_second_voice_back() -> None:
    """One microphone wanders twice as far as syllables do, so every voice parts as two would."""
    part = slice(2000, 2400)
    bands_db = _known(-15.0)
    bands_db[0] += 2 * _syllables(9, 0.0)
    own = np.zeros((2, CELLS), bool)
    own[0, :500] = own[1, 500:1000] = own[1, part] = True
    bands_db[:, part] = bands_db[:, 500:900]
    places = _BothShow((3.0, -3.0), np.zeros((2, 2, CELLS // 10), np.float32), CELLS)
    assert with_one_owner(bands_db, own, 0.0, places)[0, part].all()
