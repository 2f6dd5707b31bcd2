"""Crosstalk by section: one answer that leaks, and what must not count as a leak."""

from dataclasses import replace
from types import SimpleNamespace
from typing import Literal, cast

import numpy as np
import pytest
import speech_scene
from scipy import signal
from speech_scene import INTERVIEWER, RATE_HZ, SUBJECT, Scene

from dualmic.findings import Limits, all_findings
from dualmic.findings.base import Finding
from dualmic.findings.changes import changes
from dualmic.findings.pairing import _over_usual, crosstalk, polarity
from dualmic.hearing import Hearing, hear
from dualmic.measure import measure
from dualmic.meters.crosstalk import Arrival, followed, leak_sections

LEVEL = Limits(levelled_db=(0.0, 0.0))


def heard(scene: Scene) -> Hearing:
    return hear(measure([scene.samples.astype(np.float32)], RATE_HZ, 2, bit_depth=24))


def found_in(scene: Scene) -> list[Finding]:
    return crosstalk(heard(scene), LEVEL)


def test_single_turned_round_answer_is_found() -> None:
    """Usual leaks 20 dB down; one answer only 3 dB down in the interviewer's microphone."""
    scene = speech_scene.make(5, leak_db=-20.0)
    start_s, end_s = scene.answers()[2]
    part = slice(round(start_s * RATE_HZ), round(end_s * RATE_HZ))
    scene.samples[part, INTERVIEWER] += 10 ** (-3 / 20) * scene.voices[part, SUBJECT]
    (found,) = found_in(scene)
    assert found.mic == INTERVIEWER
    assert abs(found.start_s - start_s) < 0.25
    assert abs(found.end_s - end_s) < 0.25
    assert abs(found.value - -3.0) < 1.5


def test_a_crack_in_a_pause_is_no_background_by_which_an_input_would_be_turned_up() -> None:
    """An answer leaks at -3 dB; a radio hit of 20 ms falls into a pause half a minute later."""
    scene = speech_scene.make(5, leak_db=-20.0)
    start_s, end_s = scene.answers()[0]
    part = slice(round(start_s * RATE_HZ), round(end_s * RATE_HZ))
    scene.samples[part, INTERVIEWER] += 10 ** (-3 / 20) * scene.voices[part, SUBJECT]
    at = round((scene.answers()[3][1] + 0.4) * RATE_HZ)
    hit = np.random.default_rng(9).normal(0, 0.3, round(0.02 * RATE_HZ))
    scene.samples[at : at + len(hit), SUBJECT] += hit
    (found,) = found_in(scene)
    assert (found.mic, found.value) == (INTERVIEWER, pytest.approx(-3.0, abs=1.5))
    assert abs(found.start_s - start_s) < 0.25


def test_an_input_that_is_turned_up_for_a_while_leaks_no_more() -> None:
    """Leaks of -12 dB; the subject's input is 6 dB up around one question, and nobody says so."""
    scene = speech_scene.make(5, leak_db=-12.0)
    who, start_s, end_s = scene.spoken[4]
    assert who == INTERVIEWER
    part = slice(round((start_s - 0.9) * RATE_HZ), round((end_s + 1.1) * RATE_HZ))
    scene.samples[part, SUBJECT] *= 10 ** (6 / 20)
    assert found_in(scene) == []


@pytest.mark.parametrize("hiss_db", [-80.0, -52.0])
def test_an_answer_that_leaks_is_found_beside_a_stretch_of_one_microphone_twice(
    hiss_db: float,
) -> None:
    """Both channels hold the subject's microphone for the first two rounds, not for the rest.

    Where the interviewer's hisses more by itself, it does not so in those rounds.
    """
    scene = speech_scene.make(5, leak_db=-20.0)
    hiss = np.random.default_rng(9).normal(0, 10 ** (hiss_db / 20), len(scene.samples))
    scene.samples[:, INTERVIEWER] += hiss
    copied = round(scene.answers()[1][1] * RATE_HZ)
    start_s, end_s = scene.answers()[3]
    part = slice(round(start_s * RATE_HZ), round(end_s * RATE_HZ))
    scene.samples[part, INTERVIEWER] += 10 ** (-3 / 20) * scene.voices[part, SUBJECT]
    scene.samples[:copied, INTERVIEWER] = scene.samples[:copied, SUBJECT]
    found = all_findings(heard(scene), LEVEL, (0, 1))
    assert [f.kind for f in found if f.kind == "dual_mono"] == ["dual_mono"]
    (leak,) = [f for f in found if f.kind == "crosstalk"]
    assert leak.mic == INTERVIEWER
    assert abs(leak.start_s - start_s) < 0.25
    assert abs(leak.end_s - end_s) < 0.25


def test_sections_read_what_was_mixed() -> None:
    for leak in heard(speech_scene.make(4, leak_db=-12.0)).leaks:
        assert len(leak.sections) >= 2
        assert all(abs(level_db - -12.0) < 1.0 for _, _, level_db in leak.sections)


def test_a_word_of_the_other_person_makes_no_leak() -> None:
    """An answer of five seconds that leaks by -20 dB, 0.8 s of it said by the other person."""
    words = np.abs(np.random.default_rng(4).normal(size=20)).repeat(25) + 0.1
    other = 0.01 * words
    other[230:310] += 0.2 * words[230:310]
    alone = np.ones(len(words), bool)
    assert followed(words, 0.01 * words, alone).level_db == pytest.approx(-20.0, abs=0.1)
    assert followed(words, other, alone).level_db < -19.0
    other[230:310] += 3 * words[230:310]  # as loud as that, it is not to be overheard
    assert followed(words, other, alone).level_db > -12.0
    other = words / 2  # without any one word, still a leak of -3 dB
    assert followed(words, other, alone).level_db == pytest.approx(-3.0, abs=0.1)


@pytest.mark.parametrize("leak", [0.01, 0.0])
def test_a_leak_under_the_noise_is_told_where_it_surely_follows_the_voice(leak: float) -> None:
    """An answer of ten seconds, in a noise that is twice as loud as a leak of -20 dB is."""
    rng = np.random.default_rng(5)
    words = np.zeros(1400)
    words[200:1200] = (np.abs(rng.normal(size=40)) + 0.1).repeat(25)
    alone = words > 0
    noise = 0.02 * words[alone].mean() * rng.chisquare(40, len(words)) / 40
    sections = leak_sections(
        words + 1e-3, leak * words + noise, alone, ~alone, [(2.0, 12.0)], 1e-3, noise.mean()
    )
    if leak:
        ((start_s, end_s, level_db),) = sections
        assert (start_s, end_s, level_db) == (2.0, 12.0, pytest.approx(-20.0, abs=1.5))
    assert bool(sections) is bool(leak)


def test_words_that_pass_for_a_pause_hide_no_leak() -> None:
    """A leak of -3 dB; a third of the pauses around holds words, as loud in both microphones."""
    rng = np.random.default_rng(5)
    words = (np.abs(rng.normal(size=56)) + 0.1).repeat(25)
    alone, pause = np.zeros((2, len(words)), bool)
    alone[200:1000] = pause[1000:] = pause[:200] = True
    words[~alone] = np.where(np.arange(600) % 300 < 100, words[~alone], 0.0)
    noise = 1e-3 * rng.chisquare(40, (2, len(words))) / 40
    leak = np.where(alone, words / 2, words)
    sections = leak_sections(
        words + noise[0], leak + noise[1], alone, pause, [(2.0, 10.0)], 1e-3, 1e-3
    )
    assert sections == [(2.0, 10.0, pytest.approx(-3.0, abs=0.3))]


def test_a_turn_long_enough_is_not_averaged_with_one_that_is_not() -> None:
    """Two seconds that leak by -20 dB, then five that leak by -3 dB."""
    words = (np.abs(np.random.default_rng(5).normal(size=40)) + 0.1).repeat(25)
    leak = np.where(np.arange(len(words)) < 300, 0.01, 0.5) * words
    alone = np.ones(len(words), bool)
    alone[300:400] = False
    words[~alone] = leak[~alone] = 0.0
    sections = leak_sections(words, leak, alone, ~alone, [(1.0, 3.0), (4.0, 9.0)], 1e-6, 1e-6)
    assert sections == [(4.0, 9.0, pytest.approx(-3.0, abs=0.3))]


def test_sections_just_under_the_limit_deny_no_leak_that_is_over_it_in_all() -> None:
    """They tell the least that leaks."""
    hearing = heard(speech_scene.make(5, leak_db=-20.0))
    for section_db, told in ((-8.5, True), (-10.0, False)):
        leaks = [
            replace(
                leak,
                level=replace(leak.level, level_db=-7.0),
                sections=[(start_s, end_s, section_db) for start_s, end_s, _ in leak.sections],
            )
            for leak in hearing.leaks
        ]
        found = crosstalk(replace(hearing, leaks=leaks), LEVEL)
        assert [(f.mic, f.start_s) for f in found] == ([(1, 0.0), (0, 0.0)] if told else [])


def test_a_background_that_an_automatic_gain_lifts_in_pauses_hides_no_leak() -> None:
    """Leaks of -5 dB; around one question the subject's background is 12 dB up in each pause."""
    scene = speech_scene.make(5, leak_db=-5.0)
    who, start_s, end_s = scene.spoken[4]
    assert who == INTERVIEWER
    noise = np.random.default_rng(9).normal(0, 10 ** (-58 / 20), len(scene.samples))
    for first_s, last_s in ((start_s - 0.9, start_s - 0.1), (end_s + 0.4, end_s + 1.1)):
        part = slice(round(first_s * RATE_HZ), round(last_s * RATE_HZ))
        scene.samples[part, SUBJECT] += noise[part]
    hearing = heard(scene)
    gain = Finding("level_jump", SUBJECT, 0.0, 1.0, "warn", facts={"automatic": True})
    for known, whole in (([gain], True), ([], False)):
        found = all_findings(hearing, LEVEL, (0, 1), known={changes: known})
        leaks = [f for f in found if f.kind == "crosstalk" and f.mic == SUBJECT]
        assert (len(leaks) == 1 and leaks[0].start_s == 0.0) is whole


def test_a_few_words_given_to_the_wrong_person_make_no_leak_of_the_whole_take() -> None:
    """In turns too short for a section, the other person's loud words count as leak."""
    hearing = heard(speech_scene.make(5, leak_db=-20.0))
    level = replace(hearing.leaks[SUBJECT].level, level_db=-4.0)
    loud = replace(hearing.leaks[SUBJECT], level=level)
    few = replace(hearing, leaks=[hearing.leaks[INTERVIEWER], loud])
    assert crosstalk(few, LEVEL) == []
    no_section = replace(few, leaks=[hearing.leaks[INTERVIEWER], replace(loud, sections=[])])
    (found,) = crosstalk(no_section, LEVEL)
    assert (found.mic, found.start_s, found.value) == (INTERVIEWER, 0.0, -4.0)


def test_noise_that_starts_is_no_leak() -> None:
    """White noise 16 dB over the floor, from the middle of the take on."""
    scene = speech_scene.make(4, leak_db=-20.0)
    noise = np.random.default_rng(9).normal(0, 10 ** (-54 / 20), scene.samples.shape)
    scene.samples[len(noise) // 2 :] += noise[len(noise) // 2 :]
    hearing = heard(scene)
    assert crosstalk(hearing, LEVEL) == []
    levels = [level_db for leak in hearing.leaks for _, _, level_db in leak.sections]
    assert levels and max(abs(level_db - -20.0) for level_db in levels) < 3.0


def test_what_sounds_whether_the_voice_is_loud_or_faint_is_no_leak() -> None:
    """A noise as loud as a leak of -3 dB sounds while one answer is given, and in no pause."""
    scene = speech_scene.make(5, leak_db=-20.0)
    start_s, end_s = scene.answers()[2]
    part = slice(round((start_s - 0.1) * RATE_HZ), round((end_s + 0.1) * RATE_HZ))
    noise = np.random.default_rng(9).normal(0, 10 ** (-31 / 20), scene.samples[part, 0].shape)
    scene.samples[part, INTERVIEWER] += noise
    hearing = heard(scene)
    assert crosstalk(hearing, LEVEL) == []
    levels = [level_db for leak in hearing.leaks for _, _, level_db in leak.sections]
    assert levels and max(levels) < -17.0


def test_wind_on_the_other_microphone_is_no_leak() -> None:
    scene = speech_scene.make(4, leak_db=-20.0)
    start_s, end_s = scene.answers()[1]
    frames = round((end_s - start_s) * RATE_HZ)
    rumble = np.cumsum(np.random.default_rng(3).normal(size=frames))
    rumble -= np.convolve(rumble, np.ones(2400) / 2400, "same")
    first = round(start_s * RATE_HZ)
    scene.samples[first : first + frames, INTERVIEWER] += 0.1 * rumble / rumble.std()
    assert found_in(scene) == []


@pytest.mark.parametrize("invert", [False, True])
def test_equal_reflections_leave_no_delay_but_the_polarity(invert: bool) -> None:
    """A live room: each voice reaches the other microphone four times, as loud each time."""
    scene = speech_scene.make(4, leak_db=None)
    for late_ms in (3.0, 7.3, 12.1, 18.6):
        late = np.roll(scene.voices, round(late_ms * RATE_HZ / 1000), axis=0)
        scene.samples += 10 ** (-18 / 20) * late[:, ::-1]
    if invert:
        scene.samples[:, SUBJECT] *= -1
    hearing = heard(scene)
    expected = "opposite" if invert else "same"
    for leak in hearing.leaks:
        assert leak.arrival is not None
        assert leak.arrival.delay_ms is None
        assert leak.arrival.polarity == expected
    assert [f.kind for f in polarity(hearing, Limits())] == (["polarity"] if invert else [])


def test_voices_that_never_reach_the_other_microphone_have_no_polarity() -> None:
    for seed in range(1, 4):
        assert polarity(heard(speech_scene.make(4, leak_db=None, seed=seed)), Limits()) == []


@pytest.mark.parametrize("invert", [False, True])
def test_polarity_shows_however_far_apart_the_gains_are(invert: bool) -> None:
    """One input 42 dB lower: both people's voices are louder in the other by 28 dB and more."""
    scene = speech_scene.make(4, gains_db=(0.0, -42.0), noise_dbfs=-80.0, invert_subject=invert)
    hearing = heard(scene)
    arrivals = [leak.arrival for leak in hearing.leaks]
    assert all(a is not None and a.delay_ms is not None for a in arrivals)
    assert bool(polarity(hearing, LEVEL)) is invert


@pytest.mark.parametrize(("order", "flipped"), [(2, False), (2, True), (8, False)])
def test_a_steep_filter_in_one_input_is_no_opposite_polarity(order: int, flipped: bool) -> None:
    """Its delay changes with frequency: the peak has swings of either sign that are as large."""
    scene = speech_scene.make(4, leak_db=-14.0)
    edges = signal.butter(order, (300, 3400), "band", fs=RATE_HZ, output="sos")
    scene.samples[:, SUBJECT] = signal.sosfilt(edges, scene.samples[:, SUBJECT])
    scene.samples[:, SUBJECT] *= -1 if flipped else 1
    assert bool(polarity(heard(scene), Limits())) is flipped


@pytest.mark.parametrize(
    ("signs", "told"),
    [
        (("opposite", "opposite"), True),
        (("opposite", None), True),
        (("opposite", "same"), False),
        ((None, None), False),
    ],
)
def test_one_direction_tells_the_polarity_where_the_other_does_not_say(
    signs: tuple[Literal["same", "opposite"] | None, ...], told: bool
) -> None:
    leaks = [SimpleNamespace(arrival=Arrival(2.0, sign)) for sign in signs]
    hearing = SimpleNamespace(leaks=leaks, measured=SimpleNamespace(duration_s=60.0))
    assert bool(polarity(cast(Hearing, hearing), Limits())) is told


def test_a_voice_that_arrives_in_one_microphone_alone_tells_no_polarity() -> None:
    leaks = [SimpleNamespace(arrival=Arrival(2.0, "opposite")), SimpleNamespace(arrival=None)]
    hearing = SimpleNamespace(leaks=leaks, measured=SimpleNamespace(duration_s=60.0))
    assert polarity(cast(Hearing, hearing), Limits()) == []


def test_what_a_turned_input_is_over_its_usual_loudness() -> None:
    """By hand: -6.02 dB for the second half: the mean power is 5/8 of the first half's."""
    hearing = cast(Hearing, SimpleNamespace(measured=SimpleNamespace(duration_s=100.0)))
    jump = Finding("level_jump", 1, 50.0, 50.2, "note", -6.0206, 3.0, "dB")
    assert _over_usual([jump], hearing, 10.0) == pytest.approx(2.041, abs=0.001)
    assert _over_usual([jump], hearing, 60.0) == pytest.approx(-3.979, abs=0.001)
    # 20 dB lower it lies under the gate of -10 LU, and the first half alone is the loudness.
    assert _over_usual([replace(jump, value=-20.0)], hearing, 60.0) == pytest.approx(-20.0)
    assert _over_usual([], hearing, 60.0) == 0.0
