"""Talking at once, and one place for both microphones, on mixes of real speech."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import speech_scene
from scipy.signal import fftconvolve
from speech_scene import INTERVIEWER, RATE_HZ, SUBJECT, Scene

from dualmic.findings import Limits, all_findings
from dualmic.findings.base import Finding
from dualmic.findings.talk import both_talking
from dualmic.hearing import hear
from dualmic.measure import measure
from dualmic.take import check_take


def findings(samples: np.ndarray, kind: str) -> list[Finding]:
    measured = measure([samples.astype(np.float32)], RATE_HZ, 2, bit_depth=24)
    return [f for f in all_findings(hear(measured), Limits(), (0, 1)) if f.kind == kind]


def talk_over(scene: Scene, at_s: float, length_s: float, leak_db: float = -14.0) -> None:
    """Let the interviewer speak over what is there, leaking as always: 3 ms late."""
    voice = speech_scene.utterances()[INTERVIEWER][2]
    start = round(at_s * RATE_HZ)
    words = voice[: round(length_s * RATE_HZ)]
    scene.samples[start : start + len(words), INTERVIEWER] += words
    late = start + round(0.003 * RATE_HZ)
    scene.samples[late : late + len(words), SUBJECT] += 10 ** (leak_db / 20) * words


def test_interruption_is_warned_of_where_it_is() -> None:
    scene = speech_scene.make(3)
    start_s, end_s = scene.answers()[1]
    at_s = start_s + 0.3
    talk_over(scene, at_s, 2.0)
    (found,) = [f for f in findings(scene.samples, "both_talking") if f.severity == "warn"]
    assert abs(found.start_s - at_s) < 0.25  # the place the words were put
    assert abs(found.end_s - min(at_s + 2.0, end_s)) < 0.25
    assert found.mic is None


@pytest.mark.parametrize("leak_db", [-10.0, -9.0])
def test_interruption_among_people_who_sit_close_is_found(leak_db: float) -> None:
    scene = speech_scene.make(4, leak_db=leak_db)
    for start_s, _ in scene.answers()[1:3]:
        talk_over(scene, start_s + 0.4, 2.5, leak_db)
    found = [f for f in findings(scene.samples, "both_talking") if f.severity == "warn"]
    places_s = [start_s + 0.4 for start_s, _ in scene.answers()[1:3]]
    assert np.allclose([f.start_s for f in found], places_s, atol=0.25)


@pytest.mark.parametrize("leak_db", [-10.0, -8.0])
def test_who_falls_under_a_loud_leak_goes_on_to_the_last_word(leak_db: float) -> None:
    scene = speech_scene.make(3, leak_db=leak_db)
    at_s = scene.answers()[1][0] + 0.3
    talk_over(scene, at_s, 1.4, leak_db)
    (found,) = findings(scene.samples, "both_talking")
    # The place the words were put.
    assert np.allclose([found.start_s, found.end_s], [at_s, at_s + 1.4], atol=0.25)


def test_leak_that_passes_for_the_interviewers_words_does_not_lengthen_them() -> None:
    scene = speech_scene.make(3, leak_db=-26.0)
    at_s = scene.answers()[1][0] + 0.3
    talk_over(scene, at_s, 2.0, -26.0)
    hearing = hear(measure([scene.samples.astype(np.float32)], RATE_HZ, 2, bit_depth=24))
    own = hearing.activity.own.copy()
    own[INTERVIEWER, round(at_s * 100) : round((at_s + 2.4) * 100)] = True
    mistaken = replace(hearing, activity=replace(hearing.activity, own=own))
    (found,) = both_talking(mistaken, Limits())
    assert np.allclose([found.start_s, found.end_s], [at_s, at_s + 2.0], atol=0.25)


def test_what_both_are_heard_to_say_stays_in_the_stretch(monkeypatch: pytest.MonkeyPatch) -> None:
    scene = speech_scene.make(3)
    at_s = scene.answers()[1][0] + 0.3
    talk_over(scene, at_s, 2.0)
    monkeypatch.setattr("dualmic.findings.talk_ends.LESS", 20.0)  # all evidence against it
    (found,) = findings(scene.samples, "both_talking")
    assert found.start_s < at_s + 0.5
    assert found.end_s > at_s + 1.5


def test_an_assent_is_never_shorter_than_half_of_what_was_heard(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    scene = speech_scene.make(3)
    talk_over(scene, scene.answers()[1][0] + 0.6, 0.5)
    (whole,) = findings(scene.samples, "both_talking")
    monkeypatch.setattr("dualmic.findings.talk_ends.LESS", 20.0)  # all evidence against it
    (found,) = findings(scene.samples, "both_talking")
    assert whole.value is not None
    assert found.end_s - found.start_s == pytest.approx(whole.value / 2, abs=0.02)


def test_short_assent_is_a_note() -> None:
    scene = speech_scene.make(3)
    talk_over(scene, scene.answers()[1][0] + 0.6, 0.5)
    found = findings(scene.samples, "both_talking")
    assert [f.severity for f in found] == ["note"]
    assert found[0].facts["assent"]


def test_an_assent_after_an_interruption_is_told_apart() -> None:
    scene = speech_scene.make(3)
    at_s = scene.answers()[0][0] + 0.3
    talk_over(scene, at_s, 2.0)
    talk_over(scene, at_s + 2.9, 0.5)
    found = sorted(findings(scene.samples, "both_talking"), key=lambda f: f.start_s)
    assert [(f.severity, f.facts["assent"]) for f in found] == [("warn", False), ("note", True)]
    assert np.allclose([f.end_s for f in found], [at_s + 2.0, at_s + 3.4], atol=0.25)


def test_two_assents_within_two_seconds_are_no_interruption() -> None:
    scene = speech_scene.make(3)
    at_s = scene.answers()[0][0] + 0.3
    for start_s in (at_s, at_s + 1.3):
        talk_over(scene, start_s, 0.4)
    found = findings(scene.samples, "both_talking")
    assert [(f.severity, f.facts["assent"]) for f in found] == [("note", True)] * 2


@pytest.mark.parametrize(("length_s", "severity"), [(1.0, "note"), (1.4, "warn")])
def test_an_interruption_of_a_second_only_may_be_one(length_s: float, severity: str) -> None:
    """Of one that lasts two seconds, so much was heard."""
    scene = speech_scene.make(3)
    at_s = scene.answers()[1][0] + 0.3
    talk_over(scene, at_s, 2.0)
    hearing = hear(measure([scene.samples.astype(np.float32)], RATE_HZ, 2, bit_depth=24))
    own = hearing.activity.own.copy()
    answer = slice(round(at_s * 100) - 50, round(at_s * 100) + 400)
    together = np.flatnonzero(own[:, answer].all(axis=0)) + answer.start
    own[INTERVIEWER, together[round(length_s * 100)] : answer.stop] = False
    activity = replace(hearing.activity, own=own)
    (found,) = both_talking(replace(hearing, activity=activity), Limits())
    assert found.value == pytest.approx(length_s, abs=0.01)
    assert (found.severity, found.facts["assent"]) == (severity, False)
    assert found.facts.get("doubted", False) == (severity == "note")


def test_people_who_take_turns_do_not_talk_at_once() -> None:
    assert findings(speech_scene.make(3).samples, "both_talking") == []


def test_loud_leak_is_not_a_second_voice() -> None:
    """One answer in which the subject's voice is 2 dB down in the other microphone."""
    scene = speech_scene.make(4)
    start_s, end_s = scene.answers()[1]
    part = slice(round(start_s * RATE_HZ), round(end_s * RATE_HZ))
    scene.samples[part, INTERVIEWER] += 10 ** (-2 / 20) * scene.voices[part, SUBJECT]
    assert [f for f in findings(scene.samples, "both_talking") if f.severity == "warn"] == []


def test_cameras_own_microphones_are_one_place() -> None:
    """Both voices at one level in both channels, 0.1 ms apart, each with a hiss of its own."""
    scene = speech_scene.make(2, leak_db=None)
    voice = scene.voices.sum(axis=1)
    pair = np.column_stack([voice, np.roll(voice, 5)]) + 3 * scene.noise
    (found,) = findings(pair, "one_place")
    assert (found.start_s, found.mic) == (0.0, None)


@pytest.mark.parametrize("delay_frames", [6, 24])
@pytest.mark.parametrize("apart_db", [0.0, 3.0])
def test_a_cameras_pair_is_one_place_and_no_lonely_person(
    tmp_path: Path, delay_frames: int, apart_db: float
) -> None:
    """One person a little to the left of the pair, the other as much to the right."""
    scene = speech_scene.make(3, leak_db=None)
    far = 10 ** (-apart_db / 20) * np.roll(scene.voices, delay_frames, axis=0)
    scene.samples = scene.voices + far[:, ::-1] + scene.noise
    record = check_take([scene.write(tmp_path / "camera.wav")])
    assert [p.kind for p in record.problems if p.severity != "note"] == ["one_place"]
    assert record.kind_of_take == "interview"


@pytest.mark.parametrize(("apart_db", "severity"), [(2.8, "warn"), (3.4, "note")])
def test_one_place_at_its_limit_may_be_two_people_who_sit_close(
    apart_db: float, severity: str
) -> None:
    scene = speech_scene.make(3, leak_db=None)
    far = 10 ** (-apart_db / 20) * np.roll(scene.voices, 6, axis=0)
    (found,) = findings(scene.voices + far[:, ::-1] + scene.noise, "one_place")
    assert (found.severity, found.facts.get("doubted", False)) == (severity, severity == "note")


@pytest.mark.parametrize(("delay_ms", "severity"), [(0.1, "warn"), (-0.5, "note")])
def test_one_person_alone_may_have_a_late_radio_link(delay_ms: float, severity: str) -> None:
    """The other one never speaks, and the way to their microphone takes as long as the link."""
    scene = speech_scene.make(3, leak_db=None, speakers=(SUBJECT,))
    scene.samples[:, INTERVIEWER] += np.roll(scene.voices[:, SUBJECT], round(48 * delay_ms))
    (found,) = findings(scene.samples, "one_place")
    assert found.severity == severity


def test_a_cameras_pair_in_a_live_room_is_one_place() -> None:
    """Three early reflections 3 dB down, other ones in each channel; people sit 1 dB apart."""
    scene = speech_scene.make(3, leak_db=None)
    rng = np.random.default_rng(2)
    pair = scene.noise.copy()
    for who in (INTERVIEWER, SUBJECT):
        for channel in (0, 1):
            room = np.zeros(RATE_HZ // 20)
            room[0] = 10 ** ((0.25 if who == channel else -0.25) / 20)
            room[rng.integers(100, len(room), 3)] += 0.7 * rng.choice([-1, 1], 3)
            pair[:, channel] += fftconvolve(scene.voices[:, who], room)[: len(pair)]
    assert len(findings(pair, "one_place")) == 1


def test_high_crosstalk_is_not_one_place() -> None:
    for leak_db in (-14.0, -6.0):
        assert findings(speech_scene.make(2, leak_db=leak_db).samples, "one_place") == []


def test_one_microphone_twice_is_not_one_place() -> None:
    scene = speech_scene.make(2)
    assert findings(scene.samples[:, [1, 1]], "one_place") == []


@pytest.mark.parametrize(
    ("shared", "length_s", "severities"),
    [(False, 2.5, []), (True, 1.7, ["note"]), (True, 2.5, ["warn"])],
)
def test_the_shared_spectrum_alone_is_thin_evidence_unless_it_lasts(
    shared: bool, length_s: float, severities: list[str]
) -> None:
    """Both seem to speak in an answer, but levels and places tell of one voice."""
    scene = speech_scene.make(4)
    measured = measure([scene.samples.astype(np.float32)], RATE_HZ, 2, bit_depth=24)
    hearing = hear(measured)
    first = round(scene.answers()[1][0] * 100) + 20
    own, both = hearing.activity.own.copy(), np.zeros(measured.cells, bool)
    both[first : first + round(length_s * 100)] = True
    own[:, both] = True
    activity = replace(hearing.activity, own=own, at_once=both & shared)
    found = both_talking(replace(hearing, activity=activity), Limits())
    assert [f.severity for f in found] == severities
