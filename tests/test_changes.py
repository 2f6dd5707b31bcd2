"""Gains that jump or set themselves, and backgrounds that come and go, on mixes of real speech."""

from dataclasses import replace

import numpy as np
import pytest
import speech_scene
from scipy import signal
from speech_scene import INTERVIEWER, RATE_HZ, SUBJECT

from dualmic.findings import Limits, all_findings, parts
from dualmic.findings.base import BLOCKS_PER_S, Finding
from dualmic.findings.changes import is_unheard, steady
from dualmic.findings.turned import lost
from dualmic.hearing import hear
from dualmic.measure import measure
from dualmic.record import Severity

AT_S, UNTIL_S = 24.6, 39.9  # both in pauses: where words hide it, nobody could say


def findings(samples: np.ndarray) -> list[Finding]:
    measured = measure([samples.astype(np.float32)], RATE_HZ, 2, bit_depth=24)
    found = all_findings(hear(measured), Limits(), (0, 1))
    return [f for f in found if f.kind in ("level_jump", "background_change")]


@pytest.mark.parametrize("by_db", [-8.0, 7.0])
def test_gain_that_jumps_is_found_where_it_jumps(by_db: float) -> None:
    scene = speech_scene.make(4)
    scene.samples[round(AT_S * RATE_HZ) :, SUBJECT] *= 10 ** (by_db / 20)
    (found,) = findings(scene.samples)
    assert (found.kind, found.mic, found.severity) == ("level_jump", SUBJECT, "warn")
    assert abs(found.value - by_db) < 1.0  # what was done to the samples
    assert found.start_s - 0.25 < AT_S < found.end_s + 0.25


def test_a_small_jump_of_the_gain_is_a_note() -> None:
    scene = speech_scene.make(4)
    scene.samples[round(AT_S * RATE_HZ) :, SUBJECT] *= 10 ** (4.2 / 20)
    (found,) = findings(scene.samples)
    assert (found.kind, found.mic, found.severity) == ("level_jump", SUBJECT, "note")
    assert abs(found.start_s - AT_S) < 0.25
    assert abs(found.end_s - AT_S) < 0.25


@pytest.mark.parametrize(("fan_dbfs", "severity"), [(-58, "warn"), (-64, "warn"), (-66, "note")])
def test_fan_in_the_room_is_found_in_both_microphones(fan_dbfs: float, severity: str) -> None:
    """Over a background of -70 dBFS: a cut across 5.5 dB is covered by what a voice does."""
    scene = speech_scene.make(4)
    fan = np.random.default_rng(5).normal(0, 10 ** (fan_dbfs / 20), len(scene.samples))
    on = slice(round(AT_S * RATE_HZ), round(UNTIL_S * RATE_HZ))
    scene.samples[on] += np.column_stack([fan, np.roll(fan, 90)])[on]
    found = findings(scene.samples)
    kind = "background_change"
    assert [(f.kind, f.mic, f.severity) for f in found] == [(kind, None, severity)] * 2
    rise_db = 10 * np.log10(1 + 10 ** ((fan_dbfs + 70) / 10))
    for each, at_s, sign in zip(found, (AT_S, UNTIL_S), (1, -1), strict=True):
        assert each.start_s - 0.25 < at_s < each.end_s + 0.25
        assert abs(each.value - sign * rise_db) < 2.0


def test_a_background_that_comes_out_of_silence_is_a_note() -> None:
    """A take that fades in, or whose first seconds a coder left empty: 38 dB are no machine's."""
    scene = speech_scene.make(4, noise_dbfs=-100.0)
    fan = np.random.default_rng(5).normal(0, 10 ** (-62 / 20), len(scene.samples))
    on = slice(round(AT_S * RATE_HZ), round(UNTIL_S * RATE_HZ))
    scene.samples[on] += np.column_stack([fan, np.roll(fan, 90)])[on]
    found = [f for f in findings(scene.samples) if f.kind == "background_change"]
    assert [(f.mic, f.severity) for f in found] == [(None, "note")] * 2
    assert [f.value for f in found] == pytest.approx([38.0, -38.0], abs=2.0)


def test_a_background_that_swells_within_two_seconds_is_a_note() -> None:
    """As a lorry comes: no machine that starts."""
    scene = speech_scene.make(4, gap_s=6.0)
    _, _, ends_s = scene.spoken[3]
    rise_s = np.clip(np.arange(len(scene.samples)) / RATE_HZ - ends_s - 1.0, 0, 3.0)
    lorry = np.random.default_rng(5).normal(0, 10 ** (-73 / 20), len(scene.samples))
    lorry *= 10 ** (rise_s * 5 / 20)  # from under the background of -70 dBFS to 12 dB over it
    scene.samples += np.column_stack([lorry, np.roll(lorry, 90)])
    found = findings(scene.samples)
    assert found
    assert {(f.kind, f.severity) for f in found} == {("background_change", "note")}


def follow_voice(scene: speech_scene.Scene, mic: int) -> None:
    """Give a microphone 10 dB more gain within a second of every pause, gone with the next word.

    Its own wearer's words take all of it, the other's, which leak, the half.
    """
    block = RATE_HZ // 100
    usable = len(scene.samples) // block * block
    loud = (np.abs(scene.voices[:usable]) > 0.01).reshape(-1, block, 2).any(axis=1)
    wanted_db = np.where(loud[:, mic], 0.0, np.where(loud[:, 1 - mic], 5.0, 10.0))
    gain_db, state = np.zeros(len(loud)), 0.0
    for k, wanted in enumerate(wanted_db):
        state += (wanted - state) * (0.2 if wanted < state else 0.02)
        gain_db[k] = state
    curve = np.interp(np.arange(len(scene.samples)), block * np.arange(len(loud)), gain_db)
    scene.samples[:, mic] *= 10 ** (curve / 20)


def test_automatic_gain_is_one_finding() -> None:
    scene = speech_scene.make(4)
    follow_voice(scene, INTERVIEWER)
    (found,) = findings(scene.samples)
    assert (found.kind, found.mic, found.facts["automatic"]) == ("level_jump", INTERVIEWER, True)


def test_both_inputs_that_set_their_own_gain_are_found() -> None:
    scene = speech_scene.make(4, gap_s=2.0)
    follow_voice(scene, INTERVIEWER)
    follow_voice(scene, SUBJECT)
    automatic = {f.mic for f in findings(scene.samples) if f.facts.get("automatic")}
    assert automatic == {INTERVIEWER, SUBJECT}


def swelling(frames: int) -> np.ndarray:
    """Return a room's noise that swells by some 10 dB within a second, as many voices do."""
    rng = np.random.default_rng(9)
    knots = rng.normal(0, 4.0, frames // (RATE_HZ // 3) + 2)
    curve = np.interp(np.arange(frames), np.arange(len(knots)) * (RATE_HZ // 3), knots)
    noise = rng.normal(0, 10 ** (-56 / 20), frames) * 10 ** (curve / 20)
    return np.column_stack([noise, np.roll(noise, 90)])


def test_automatic_gain_is_found_in_a_room_that_swells() -> None:
    """Both microphones hear it swell: their difference does not."""
    scene = speech_scene.make(4)
    scene.samples += swelling(len(scene.samples))
    assert not any(f.facts.get("automatic") for f in findings(scene.samples))
    follow_voice(scene, SUBJECT)
    automatic = [f.mic for f in findings(scene.samples) if f.facts.get("automatic")]
    assert automatic == [SUBJECT]


def test_a_breath_at_the_end_of_pauses_is_no_automatic_gain() -> None:
    """It comes up in every band, but at once: a gain comes up all through the pause."""
    scene = speech_scene.make(4)
    length = round(0.35 * RATE_HZ)
    breath = np.random.default_rng(3).normal(0, 10 ** (-60 / 20), length)
    for _, start_s, _ in scene.spoken:
        at = round(start_s * RATE_HZ)
        scene.samples[at - length : at, SUBJECT] += breath
    assert findings(scene.samples) == []


@pytest.mark.parametrize("noise_dbfs", [-80.0, -70.0])
def test_words_no_other_microphone_hears_are_no_automatic_gain(noise_dbfs: float) -> None:
    """As from separate booths: while one talks, the other microphone is as quiet as in a pause."""
    scene = speech_scene.make(6, leak_db=None, noise_dbfs=noise_dbfs, gap_s=3.0)
    # Questions come after long thought and are answered at once.
    asked = [round(end_s * RATE_HZ) for who, _, end_s in scene.spoken if who == INTERVIEWER]
    at_once = np.concatenate([np.arange(end, end + 2 * RATE_HZ) for end in asked])
    assert findings(np.delete(scene.samples, at_once, axis=0)) == []


@pytest.mark.parametrize(("noise_dbfs", "unheard"), [(-60.0, False), (-36.0, True)])
def test_a_leak_under_the_others_noise_says_nothing_of_pauses(
    noise_dbfs: float, unheard: bool
) -> None:
    """The subject's words, at -26 dBFS, leak at -14 dB: they are at -40 dBFS there."""
    scene = speech_scene.make(4)
    noise = np.random.default_rng(3).normal(0, 10 ** (noise_dbfs / 20), len(scene.samples))
    scene.samples[:, INTERVIEWER] += noise
    measured = measure([scene.samples.astype(np.float32)], RATE_HZ, 2, bit_depth=24)
    assert is_unheard(hear(measured), SUBJECT) is unheard
    assert not is_unheard(hear(measured), INTERVIEWER)


@pytest.mark.parametrize("noise_dbfs", [-62.0, -56.0])
def test_a_background_that_comes_with_the_words_is_no_jump_of_the_gain(noise_dbfs: float) -> None:
    """As a gate lets it through while its wearer speaks."""
    scene = speech_scene.make(4)
    noise = np.random.default_rng(4).normal(0, 10 ** (noise_dbfs / 20), len(scene.samples))
    for start_s, end_s in scene.answers()[1:]:
        part = slice(round(start_s * RATE_HZ), round(end_s * RATE_HZ))
        scene.samples[part, SUBJECT] += noise[part]
    assert [f for f in findings(scene.samples) if f.severity != "note"] == []


def test_untouched_conversation_has_no_change() -> None:
    assert findings(speech_scene.make(4).samples) == []
    assert findings(speech_scene.make(4, leak_db=-6.0, gains_db=(0.0, -15.0)).samples) == []


def test_one_louder_answer_is_no_change_of_gain() -> None:
    """A voice raised by 8 dB: the background stays where it is."""
    scene = speech_scene.make(4)
    start_s, end_s = scene.answers()[1]
    part = slice(round(start_s * RATE_HZ), round(end_s * RATE_HZ))
    scene.samples[part] = 2.5 * (scene.samples[part] - scene.noise[part]) + scene.noise[part]
    assert findings(scene.samples) == []


def within_an_answer() -> float:
    """A moment in the middle of the second answer: somebody speaks for seconds on both sides."""
    start_s, end_s = speech_scene.make(4).answers()[1]
    return (start_s + end_s) / 2


@pytest.mark.parametrize("sign", [1, -1])
def test_fan_that_starts_or_stops_under_an_answer_is_dated(sign: int) -> None:
    """No pause is needed: somewhere in the spectrum the voice leaves room for the background."""
    scene = speech_scene.make(4)
    at_s = within_an_answer()
    fan = np.random.default_rng(5).normal(0, 10 ** (-55 / 20), len(scene.samples))
    at = round(at_s * RATE_HZ)
    on = slice(at, None) if sign > 0 else slice(None, at)
    scene.samples[on] += np.column_stack([fan, np.roll(fan, 90)])[on]
    (found,) = [f for f in findings(scene.samples) if f.kind == "background_change"]
    assert (found.mic, np.sign(found.value)) == (None, sign)
    assert abs(found.start_s - at_s) < 0.5
    assert abs(found.end_s - at_s) < 0.5


@pytest.mark.parametrize("by_db", [-10.0, 9.0])
def test_gain_that_jumps_under_an_answer_is_dated(by_db: float) -> None:
    """The pattern of differences between the microphones tells, while somebody speaks."""
    scene = speech_scene.make(4)
    at_s = within_an_answer()
    scene.samples[round(at_s * RATE_HZ) :, SUBJECT] *= 10 ** (by_db / 20)
    (found,) = findings(scene.samples)
    assert (found.kind, found.mic, found.severity) == ("level_jump", SUBJECT, "warn")
    assert found.start_s - 0.25 < at_s < found.end_s + 0.25
    assert found.end_s - found.start_s < 0.5


def test_a_take_of_hours_is_told_part_by_part(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every moment belongs to one part, whose findings are in times of the take."""
    scene = speech_scene.make(8)
    samples = scene.samples.copy()
    samples[round(AT_S * RATE_HZ) :, SUBJECT] *= 10 ** (-8 / 20)
    samples[round(3 * AT_S * RATE_HZ) :, INTERVIEWER] *= 10 ** (-7 / 20)
    whole = findings(samples)
    assert [(f.kind, f.mic) for f in whole] == [
        ("level_jump", SUBJECT),
        ("level_jump", INTERVIEWER),
    ]
    monkeypatch.setattr(parts, "PART_S", 28)
    monkeypatch.setattr(parts, "AROUND_S", 20)
    cut = findings(samples)
    assert [(f.kind, f.mic) for f in cut] == [(f.kind, f.mic) for f in whole]
    for one, other in zip(cut, whole, strict=True):
        assert one.start_s == pytest.approx(other.start_s, abs=0.3)
        assert one.end_s == pytest.approx(other.end_s, abs=0.3)


@pytest.mark.parametrize("by_db", [-9.0, 9.0])
def test_gain_of_the_only_microphone_that_works_is_dated(by_db: float) -> None:
    """No other proves it: a note, but as well dated as any."""
    scene = speech_scene.make(4)
    scene.samples[round(18.0 * RATE_HZ) :, INTERVIEWER] = 0
    scene.samples[round(UNTIL_S * RATE_HZ) :, SUBJECT] *= 10 ** (by_db / 20)
    (found,) = [f for f in findings(scene.samples) if f.start_s > 20]
    assert (found.kind, found.mic, found.severity) == ("level_jump", SUBJECT, "note")
    assert abs(found.start_s - UNTIL_S) < 0.25
    assert abs(found.end_s - UNTIL_S) < 0.25


def test_gain_that_jumps_in_the_first_words_is_dated() -> None:
    scene = speech_scene.make(4)
    scene.samples[round(1.6 * RATE_HZ) :, SUBJECT] *= 10 ** (9 / 20)
    (found,) = findings(scene.samples)
    assert (found.kind, found.mic) == ("level_jump", SUBJECT)
    assert abs(found.start_s - 1.6) < 0.25
    assert abs(found.end_s - 1.6) < 0.25


@pytest.mark.parametrize("sign", [1, -1])
def test_rain_over_eight_kilohertz_is_dated_under_an_answer(sign: int) -> None:
    """There no vowel reaches: what the speech bands hide for seconds shows at once."""
    scene = speech_scene.make(4)
    at_s = within_an_answer() - 1.0
    rain = np.random.default_rng(5).normal(0, 10 ** (-50 / 20), len(scene.samples))
    rain = signal.sosfilt(signal.butter(4, 6000, "high", fs=RATE_HZ, output="sos"), rain)
    at = round(at_s * RATE_HZ)
    on = slice(at, None) if sign > 0 else slice(None, at)
    scene.samples[on] += np.column_stack([rain, np.roll(rain, 90)])[on]
    (found,) = [f for f in findings(scene.samples) if f.kind == "background_change"]
    assert (found.mic, np.sign(found.value)) == (None, sign)
    assert abs(found.start_s - at_s) < 0.25
    assert abs(found.end_s - at_s) < 0.25


def test_what_starts_in_the_first_second_and_a_half_is_a_note() -> None:
    """A background heard for so short a time may have been about to fade in."""
    scene = speech_scene.make(4, gap_s=2.0)
    fan = np.random.default_rng(5).normal(0, 10 ** (-56 / 20), len(scene.samples))
    fan[: round(1.25 * RATE_HZ)] = 0
    scene.samples += np.column_stack([fan, np.roll(fan, 90)])
    (found,) = findings(scene.samples)
    assert (found.kind, found.severity) == ("background_change", "note")
    assert abs(found.start_s - 1.25) < 0.25


def test_a_sure_jump_that_is_lost_once_undone_stays_as_a_note() -> None:
    def jump(at_s: float, severity: Severity) -> Finding:
        return Finding("level_jump", SUBJECT, at_s, at_s + 0.1, severity, -7.0)

    first = [jump(20.0, "warn"), jump(40.0, "warn"), jump(60.0, "note")]
    kept = lost(first, [jump(20.8, "warn")])
    assert kept == [replace(first[1], severity="note")]


@pytest.mark.parametrize(
    ("over_db", "length_s", "is_background"),
    [(30.0, 2.5, False), (10.0, 2.5, True), (30.0, 20.0, True)],
)
def test_a_vowel_held_for_seconds_is_no_background(
    over_db: float, length_s: float, is_background: bool
) -> None:
    """It hardly moves, as a machine does, but lies far over all that is around it."""
    rng = np.random.default_rng(4)
    level = rng.normal(-70.0, 1.0, (2, 60 * BLOCKS_PER_S))
    talk = np.repeat(rng.uniform(size=60 * BLOCKS_PER_S // 8) < 0.7, 8)
    level[:, talk] += rng.uniform(10, 40, talk.sum())
    part = slice(30 * BLOCKS_PER_S, round((30 + length_s) * BLOCKS_PER_S))
    level[:, part] = rng.normal(-70.0 + over_db, 1.0, (2, part.stop - part.start))
    assert steady(level)[part].all() == is_background
    assert not steady(level)[talk & (np.arange(len(talk)) < part.start - BLOCKS_PER_S)].any()
