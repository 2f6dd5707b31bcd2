"""Whose voice it is where both microphones hear one, and which turns a muted microphone makes."""

import numpy as np

from dualmic.dead_mics import without_gaps
from dualmic.meters.one_voice import follows, with_one_owner
from dualmic.meters.speech import activity_of

CELLS = 3000
BANDS = 6


def _syllables(seed: int, level_db: float) -> np.ndarray:
    """Return ``(cells, bands)`` in dB that rise and fall as syllables do."""
    rng = np.random.default_rng(seed)
    curve = np.interp(np.arange(CELLS), np.arange(0, CELLS, 10), rng.normal(0, 6, CELLS // 10))
    return np.repeat(level_db + curve[:, None], BANDS, axis=1)


def _levels(first: np.ndarray, second: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    return first[:, 0], second[:, 0], np.ones(CELLS, bool)


def test_a_leak_follows_its_voice_and_another_persons_words_do_not() -> None:
    voice = _syllables(1, -30)
    assert follows(*_levels(voice, voice - 3)) > 0.9
    assert follows(*_levels(voice, _syllables(2, -30))) < 0.5


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
    kept = without_gaps(bands_db, activity, muted).own[1]
    assert kept[1500:2000].all()
    assert not kept[2400:2500].any()
