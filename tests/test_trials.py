"""Trial takes hold what their truth says, and their scorer counts it."""

from collections import Counter
from dataclasses import replace
from functools import cache
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile
from trials import clean, places, signal_path  # noqa: F401 - they register their manners
from trials.files import write
from trials.interviews import MANNERS, make
from trials.scoring import f1, score, table
from trials.takes import Instance, Take
from trials.voices import DATA, RATE_HZ, SPEAKERS, prepared

# Longer than any path in a room, or than what a crack leaves behind.
DIES_AWAY_S = 0.85


@cache
def made(kind: str, name: str, seconds: float = 25.0) -> Take:
    return make(kind, name, 4, "seen", seconds=seconds, speakers=("aew", "axb"))


def damage(take: Take) -> np.ndarray:
    return take.channels != take.undamaged


LOCAL = [
    "dropout/held", "dropout/both", "dropout/bursts", "click/series", "click/plug", "wind/knocks",
    "rustle/crinkle", "rustle/thumps",
    "both_talking/assents", "bad_samples/burst", "clipping/hard", "clipping/brief",
]  # fmt: skip


@pytest.mark.parametrize("manner", LOCAL)
def test_damage_lies_where_the_truth_says_and_nowhere_else(manner: str) -> None:
    take = made(*manner.split("/"))
    assert take.instances
    differs = damage(take)
    inside, allowed = np.zeros((2, 2, take.frames), bool)
    for one in take.instances:
        start, end = round(one.start_s * RATE_HZ), round(one.end_s * RATE_HZ)
        for mic in (0, 1) if one.mic is None else (one.mic,):
            assert differs[mic, max(0, start - 1000) : end + 1000].any(), one
            allowed[mic, max(0, start - 1000) : end + round(DIES_AWAY_S * RATE_HZ)] = True
            inside[mic, start:end] = True
    assert not (differs & ~allowed).any()
    if take.kind in ("dropout", "bad_samples"):
        assert not (differs & ~inside).any()


def test_clipped_tops_are_all_that_differs() -> None:
    take = made("clipping", "hard")
    (mic,) = {one.mic for one in take.instances}
    np.testing.assert_array_equal(take.channels[mic], np.clip(take.undamaged[mic], -1, 1))
    np.testing.assert_array_equal(take.channels[1 - mic], take.undamaged[1 - mic])


@pytest.mark.parametrize("name", ["in_pause", "in_speech", "both"])
def test_gain_jumps_by_one_factor_where_the_truth_says(name: str) -> None:
    take = made("level_jump", name)
    (one,) = take.instances
    mics = [0, 1] if one.mic is None else [one.mic]
    at = round(one.start_s * RATE_HZ)
    after = take.channels[mics, at + 1 :] / take.undamaged[mics, at + 1 :]
    assert after == pytest.approx(after[0, 0])
    assert abs(20 * np.log10(after[0, 0])) > 5.9
    np.testing.assert_array_equal(take.channels[mics, : at - 1], take.undamaged[mics, : at - 1])


def test_who_speaks_is_where_their_voice_is() -> None:
    take = made("clean", "plain")
    for mic, talk in enumerate(take.talk()):
        silent = np.ones(take.frames, bool)
        for start_s, end_s in talk:
            silent[round(start_s * RATE_HZ) : round(end_s * RATE_HZ)] = False
        loudest = np.abs(take.dry[mic])
        assert loudest[silent].max() < 10 ** (-40 / 20)
        assert sum(end_s - start_s for start_s, end_s in talk) > 5


ALTERED = sorted(
    name for (kind, name), (function, _) in MANNERS.items()
    if kind == "clean" and function is not clean.untouched
)  # fmt: skip


@pytest.mark.parametrize("name", ALTERED)
def test_nothing_is_owed_in_a_clean_take(name: str) -> None:
    take = made("clean", name, 18.0)
    assert not [one for one in take.instances if one.owed]
    assert np.isfinite(take.channels).all()


def test_the_same_arguments_make_the_same_take() -> None:
    one, again = (make("rustle", "brush", 7, "seen", seconds=18, speakers=("aew", "axb"))
                  for _ in range(2))  # fmt: skip
    np.testing.assert_array_equal(one.channels, again.channels)
    assert one.instances == again.instances


def test_no_speaker_is_in_both_parts() -> None:
    """By where the files are: a voice under two names would be one all the same."""
    where = {
        part: {
            (s.synthesiser, s.folder, pattern)
            for s in SPEAKERS.values()
            if s.part == part
            for pattern in s.files or ("",)
        }
        for part in ("seen", "apart")
    }
    assert len(where["seen"]) + len(where["apart"]) == len(SPEAKERS)
    assert not where["seen"] & where["apart"]


def test_utterances_are_at_one_level_whatever_the_file_is() -> None:
    sound, rate_hz = soundfile.read(next(DATA.glob("*aew*.flac")))
    loud, soft = (prepared(gain * sound, rate_hz) for gain in (1.0, 0.05))
    np.testing.assert_allclose(loud, soft, atol=1e-6)


def test_a_file_holds_the_take(tmp_path: Path) -> None:
    take = made("bad_samples", "burst")  # float: but for its 24 bits the same
    samples, rate_hz = soundfile.read(write(take, tmp_path), always_2d=True)
    assert rate_hz == RATE_HZ
    np.testing.assert_allclose(samples.T, take.channels, rtol=1e-7)


def problem(kind: str, mic: str | None, start_s: float, end_s: float, severity: str = "warn"):
    return SimpleNamespace(
        kind=kind, mic=mic, start_s=start_s, end_s=end_s, severity=severity, value=1.0
    )


def turns_of(take: Take, swapped: bool = False):
    names = ("subject", "interviewer") if swapped else ("interviewer", "subject")
    return [
        SimpleNamespace(speaker=name, start_s=start_s, end_s=end_s)
        for name, talk in zip(names, take.talk(), strict=True)
        for start_s, end_s in talk
    ]


def test_scores_of_an_invented_record() -> None:
    take = replace(made("clean", "plain"), kind="dropout", manner="zeros")
    take.instances = [
        Instance("dropout", 1, 5.0, 5.2),
        Instance("dropout", 1, 12.0, 12.3),
        Instance("rustle", 0, 15.0, 16.0, owed=False, also=("wind",)),
    ]
    said = [
        problem("dropout", "subject", 5.1, 5.2),  # right
        problem("dropout", "interviewer", 12.0, 12.3),  # the other microphone: missed, and invented
        problem("wind", "interviewer", 15.2, 15.4),  # another name for what is borderline
        problem("click", "subject", 12.3, 12.3),  # follows from the lost sound
        problem("hum", "subject", 0.0, 25.0, "note"),  # notes are no alarms
    ]
    scored = score(take, SimpleNamespace(problems=said, turns=turns_of(take)))
    assert [one.start_s for one in scored.found] == [5.0, 15.0]
    assert [one.start_s for one in scored.missed] == [12.0]
    assert [(a["kind"], a["mic"]) for a in scored.alarms] == [("dropout", "interviewer")]
    assert [a["kind"] for a in scored.follows] == ["click"]
    assert f1(scored.frames) == 1.0
    text = table([scored])
    assert "recall 0.500 of 2, false alarms in 10 min 24.00" in text
    assert "| dropout | zeros | 1/2 | 1 in its takes |  |" in text
    assert "| rustle | all |  | 0 | 1/1 |" in text


def test_swapped_people_are_all_wrong() -> None:
    take = made("clean", "plain")
    scored = score(take, SimpleNamespace(problems=[], turns=turns_of(take, swapped=True)))
    assert f1(scored.frames) < 0.1
    assert scored.frames["own"] == 0 < scored.frames["other"]
    assert f1(Counter()) == 0
