"""Whose voice it is, told by when it arrives, whatever the gains do."""

from dataclasses import replace

import numpy as np
import pytest
import speech_scene
from scipy.signal import butter, lfilter, sosfilt
from speech_scene import INTERVIEWER, RATE_HZ, SUBJECT, Scene

from dualmic.findings import Limits, all_findings, turned
from dualmic.findings.turned import hear_two
from dualmic.hearing import Hearing, hear
from dualmic.measure import Measured, measure
from dualmic.meters import bands
from dualmic.meters.arrivals import ArrivalMeter
from dualmic.meters.crosstalk import leak_level
from dualmic.meters.gains import (
    GainStep,
    believable,
    gains_db,
    steady_power,
    without_gains,
)
from dualmic.meters.leaks import more_leak
from dualmic.meters.places import LEAST_HEIGHT, Places
from dualmic.meters.positions import NEAR_MS

BINS_HZ = np.arange(150.0, 7001.0, 10.0)
FRAME = 4800  # 100 ms


def cross_spectra(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """Return first x conj(second) of frames of 100 ms every 50 ms, ``(frames, bins)``."""
    starts = np.arange(0, len(first) - FRAME + 1, FRAME // 2)
    window = np.hanning(FRAME + 1)[:-1]
    spectra = [
        np.fft.rfft(np.stack([row[s : s + FRAME] for s in starts]) * window)[:, 15:701]
        for row in (first, second)
    ]
    return spectra[0] * spectra[1].conj()


def peaks(cross: np.ndarray, step: int = 20) -> np.ndarray:
    meter = ArrivalMeter(BINS_HZ)
    for at in range(0, len(cross), step):
        meter.push(cross[at : at + step])
    return meter.result()


@pytest.mark.parametrize("late_ms", [-12.5, -0.8, 0.0, 3.2, 21.0])
@pytest.mark.parametrize("sign", [1, -1])
def test_the_highest_peak_is_where_sound_arrives(late_ms: float, sign: int) -> None:
    noise = np.random.default_rng(1).normal(size=4 * RATE_HZ)
    late = sign * 0.1 * np.roll(noise, round(late_ms * RATE_HZ / 1000))
    found = peaks(cross_spectra(noise, late))[2:]
    assert np.allclose(found[:, 0, 0], late_ms, atol=0.11)
    assert found[:, 0, 1].min() > 0.6
    assert found[:, 0, 1].max() <= 1.02


def test_sounds_that_have_nothing_in_common_have_no_place() -> None:
    noise = np.random.default_rng(2).normal(size=(2, 20 * RATE_HZ))
    found = peaks(cross_spectra(*noise))
    for place_ms in (-20.0, -3.0, 0.0, 5.0):
        near = (np.abs(found[:, :, 0] - place_ms) < NEAR_MS) & (found[:, :, 1] > LEAST_HEIGHT)
        assert near.any(axis=1).mean() < 0.05


def test_peaks_do_not_depend_on_how_many_frames_come_at_once() -> None:
    noise = np.random.default_rng(3).normal(size=(2, 3 * RATE_HZ))
    cross = cross_spectra(noise[0], noise[1] + 0.5 * np.roll(noise[0], 100))
    usual = peaks(cross, 20)
    assert len(usual) > 20
    for step in (1, 7, 13):
        assert np.array_equal(peaks(cross, step), usual)


def measured(scene: Scene) -> Measured:
    return measure([scene.samples.astype(np.float32)], RATE_HZ, 2, bit_depth=24)


def heard(scene: Scene) -> Hearing:
    return hear(measured(scene))


def owned(hearing: Hearing, scene: Scene) -> tuple[float, float]:
    """Return the least share of any utterance that its speaker has, and the most the other has."""
    own = hearing.activity.own
    right, wrong = [], []
    for who, start_s, end_s in scene.spoken:
        part = slice(round(start_s * 100) + 20, round(end_s * 100) - 20)
        right.append(own[who, part].mean())
        wrong.append(own[1 - who, part].mean())
    return min(right), max(wrong)


@pytest.mark.parametrize("link_ms", [0.0, 11.0, -11.0])
def test_people_are_where_their_voices_arrive_from(link_ms: float) -> None:
    """Leaks 3 ms late; a link makes one microphone as a whole late."""
    scene = speech_scene.make(4, leak_db=-14.0, delay_ms=3.0)
    scene.samples[:, SUBJECT] = np.roll(scene.samples[:, SUBJECT], round(link_ms * RATE_HZ / 1000))
    places = heard(scene).activity.places
    assert places is not None
    assert np.allclose(places.lags_ms, [3.0 + link_ms, -3.0 + link_ms], atol=0.15)


def test_one_person_alone_is_nobody_else() -> None:
    places = heard(speech_scene.make(4, speakers=(SUBJECT,))).activity.places
    assert places is not None
    assert places.lags_ms[INTERVIEWER] is None
    assert places.lags_ms[SUBJECT] == pytest.approx(-3.0, abs=0.15)


def test_who_leans_over_now_and_then_is_one_person_in_two_places() -> None:
    """The subject talks most, half of it 0.4 m nearer, 5 dB louder in the other microphone."""
    scene = speech_scene.make(6, leak_db=None)
    asked = [part for part in scene.spoken if part[0] == INTERVIEWER]
    for _, start_s, end_s in asked[1:-1]:
        part = slice(round(start_s * RATE_HZ), round(end_s * RATE_HZ))
        scene.samples[part, INTERVIEWER] = scene.noise[part, INTERVIEWER]
        scene.voices[part, INTERVIEWER] = 0
    scene.spoken = [part for part in scene.spoken if part not in asked[1:-1]]
    late = np.roll(scene.voices, round(0.003 * RATE_HZ), axis=0)
    scene.samples[:, SUBJECT] += 10 ** (-14 / 20) * late[:, INTERVIEWER]
    for number, (start_s, end_s) in enumerate(scene.answers()):
        delay_s, leak_db = ((0.003, -14.0), (0.0018, -9.0))[number % 2]
        part = slice(round(start_s * RATE_HZ), round(end_s * RATE_HZ) + RATE_HZ // 10)
        nearer = np.roll(scene.voices[:, SUBJECT], round(delay_s * RATE_HZ))
        scene.samples[part, INTERVIEWER] += 10 ** (leak_db / 20) * nearer[part]
    hearing = heard(scene)
    right, wrong = owned(hearing, scene)
    assert right > 0.6
    assert wrong < 0.1
    places = hearing.activity.places
    assert places is not None
    assert places.lags_ms[INTERVIEWER] == pytest.approx(3.0, abs=0.15)


def test_a_held_vowel_repeats_itself_and_is_nobody_else() -> None:
    """Its pitch has the very period that lies between the two people's places."""
    scene = speech_scene.make(3, leak_db=-8.0, delay_ms=3.0)
    start_s, end_s = scene.answers()[1]
    time_s = np.arange(round(2.0 * RATE_HZ)) / RATE_HZ
    pitch_hz = 1 / 0.006
    vowel = sum(np.cos(2 * np.pi * k * pitch_hz * time_s + k * k) / k for k in range(1, 24))
    vowel *= 0.05 * np.hanning(len(time_s)) ** 0.2
    at = round(((start_s + end_s) / 2 - 1.0) * RATE_HZ)
    late = at + round(0.003 * RATE_HZ)
    scene.samples[at : at + len(vowel)] = scene.noise[at : at + len(vowel)]
    scene.samples[at : at + len(vowel), SUBJECT] += vowel
    scene.samples[late : late + len(vowel), INTERVIEWER] += 10 ** (-8 / 20) * vowel
    hearing = heard(scene)
    cells = slice(at // 480, (at + len(vowel)) // 480)
    assert hearing.activity.own[SUBJECT, cells].mean() > 0.9
    assert hearing.activity.own[INTERVIEWER, cells].mean() < 0.1


@pytest.mark.parametrize("noise_dbfs", [-62.0, -56.0, -50.0, -42.0])
def test_where_the_background_comes_from_is_nobodys_place(noise_dbfs: float) -> None:
    """Both hear one rumble at once, and of the interviewer nothing leaks."""
    scene = speech_scene.make(4, leak_db=None, noise_dbfs=-80.0)
    late = round(0.006 * RATE_HZ)
    scene.samples[late:, INTERVIEWER] += 0.2 * scene.voices[:-late, SUBJECT]
    rumble = np.random.default_rng(8).standard_normal(len(scene.samples))
    low_pass = butter(2, 500, fs=RATE_HZ, output="sos")
    rumble = sosfilt(low_pass, rumble)
    rumble *= 10 ** (noise_dbfs / 20) / np.sqrt(np.mean(rumble**2))
    scene.samples += rumble[:, None]
    places = heard(scene).activity.places
    assert places is None or places.lags_ms[INTERVIEWER] is None


def test_no_leak_leaves_the_places_open_and_the_turns_right() -> None:
    scene = speech_scene.make(3, leak_db=None)
    hearing = heard(scene)
    assert hearing.activity.places is None
    assert owned(hearing, scene)[0] > 0.6


def test_a_gain_that_swings_gives_no_word_to_the_other() -> None:
    """The subject's input goes up and down by 14 dB, within words as well."""
    scene = speech_scene.make(5, leak_db=-11.0)
    swing_db = 7 * np.sin(2 * np.pi * np.arange(len(scene.samples)) / (7 * RATE_HZ))
    scene.samples[:, SUBJECT] *= 10 ** (swing_db / 20)
    right, wrong = owned(heard(scene), scene)
    assert right > 0.6
    assert wrong < 0.1


def test_a_noise_that_comes_up_in_a_pause_is_nobodys_word() -> None:
    """A rumble of its own swells in each microphone in every pause, half as loud as a voice."""
    scene = speech_scene.make(5, leak_db=-11.0, noise_dbfs=-65.0, gap_s=2.0)
    rumble = lfilter([1.0], [1.0, -0.95], scene.noise, axis=0)
    swell = np.zeros(len(scene.samples))
    for (_, _, end_s), (_, next_s, _) in zip(scene.spoken, scene.spoken[1:], strict=False):
        part = slice(round((end_s + 0.2) * RATE_HZ), round((next_s - 0.2) * RATE_HZ))
        swell[part] = 0.025 * np.hanning(part.stop - part.start)
    scene.samples += rumble / rumble.std() * swell[:, None]
    hearing = heard(scene)
    own = hearing.activity.own
    said = np.zeros(own.shape[1], bool)
    for _, start_s, end_s in scene.spoken:
        said[round(start_s * 100) - 30 : round(end_s * 100) + 30] = True
    assert own[:, ~said].sum() == 0
    # What might have been a word is no pause, either: the background is what is left.
    loud = swell[: own.shape[1] * RATE_HZ // 100].reshape(-1, RATE_HZ // 100).max(axis=1) > 0.015
    assert not (hearing.activity.pause & loud).any()


def test_talk_at_once_is_found_however_close_people_sit() -> None:
    """People shoulder to shoulder, each 5 dB down in the other's microphone."""
    scene = speech_scene.make(4, leak_db=-5.0, delay_ms=1.0)
    start_s, _ = scene.answers()[1]
    words = speech_scene.utterances()[INTERVIEWER][2][: 2 * RATE_HZ]
    part = slice(round((start_s + 0.4) * RATE_HZ), round((start_s + 0.4) * RATE_HZ) + len(words))
    scene.samples[part, INTERVIEWER] += words
    scene.samples[part, SUBJECT] += 10 ** (-5 / 20) * np.roll(words, RATE_HZ // 1000)
    found = all_findings(heard(scene), Limits(), (0, 1))
    (talk,) = [f for f in found if f.kind == "both_talking" and f.severity == "warn"]
    assert abs(talk.start_s - (start_s + 0.4)) < 0.5
    assert abs(talk.end_s - (start_s + 2.4)) < 0.5


def test_how_a_leak_changes_is_the_same_for_each_part_of_a_take(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    difference_db = np.repeat([10.0, 4.0, -12.0], [1000, 1000, 1000]).astype(np.float32)
    single = np.stack([difference_db > 0, difference_db < 0])
    more = more_leak(difference_db, single, (10.0, -12.0))
    assert np.allclose(10 * np.log10(more[0, [500, 1500]]), [0.0, 6.0], atol=0.1)
    assert np.allclose(more[1], 1.0)
    monkeypatch.setattr(bands, "STRETCH_CELLS", 700)
    assert np.array_equal(more_leak(difference_db, single, (10.0, -12.0)), more)


def test_steps_of_gain_are_undone() -> None:
    bands_db = np.full((2, 1000, 6), -40.0, np.float16)
    bands_db[1, 700:] += 6
    steps = [GainStep(1, 7.0, 6.0)]
    assert np.array_equal(gains_db(steps, 1, 1000), np.repeat([0.0, 6.0], [700, 300]))
    assert np.array_equal(without_gains(bands_db, steps), np.full((2, 1000, 6), -40.0))
    assert without_gains(bands_db, []) is bands_db


def test_a_gain_undone_leaves_the_mean_level_of_speech() -> None:
    power = np.repeat([1.0, 4.0], [500, 500])
    own = np.ones(1000, bool)
    steady = steady_power(power, own, [GainStep(0, 5.0, 10 * np.log10(4))], 0)
    assert np.allclose(steady, 2.5)
    assert steady_power(power, own, [GainStep(1, 5.0, 6.0)], 0) is power


def test_steps_that_lead_further_than_a_knob_does_are_not_believed(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A day in which the subject's input would have been turned up by 9 dB a dozen times."""
    steps = [GainStep(SUBJECT, 3.0 * k, 9.0) for k in range(12)]
    turned_once = GainStep(INTERVIEWER, 4.0, -6.0)
    assert believable(steps[:6]) == steps[:6]
    assert believable([*steps, turned_once]) == [turned_once]
    there_and_back = [GainStep(SUBJECT, 3.0 * k, 9.0 * (-1) ** k) for k in range(12)]
    assert believable(there_and_back) == there_and_back
    monkeypatch.setattr(turned, "sure_steps", lambda _found: steps)
    heard, _ = hear_two(measured(speech_scene.make(3)))
    assert heard.gains == ()


def test_a_gain_turned_half_way_leaves_turns_and_leaks_as_they_are() -> None:
    """The subject's input is turned up 9 dB between two turns; no voice leaks more for that."""
    scene = speech_scene.make(6, leak_db=-10.0)
    half = round((scene.answers()[2][1] + 0.6) * RATE_HZ)
    scene.samples[half:, SUBJECT] *= 10 ** (9 / 20)
    hearing, _ = hear_two(measured(scene))
    (step,) = hearing.gains
    assert (step.mic, step.by_db) == (SUBJECT, pytest.approx(9.0, abs=1.0))
    right, wrong = owned(hearing, scene)
    assert right > 0.6
    assert wrong < 0.1
    levels = [level_db for leak in hearing.leaks for _, _, level_db in leak.sections]
    assert np.ptp([db for _, _, db in hearing.leaks[INTERVIEWER].sections]) < 2.0
    assert np.ptp([db for _, _, db in hearing.leaks[SUBJECT].sections]) < 2.0
    assert len(levels) >= 4


@pytest.mark.parametrize(
    ("unseen_s", "other_talks", "taken_back"), [(1.0, True, 0), (1.0, False, 75), (2.5, True, 225)]
)
def test_words_go_on_unseen_for_a_while_under_the_others_alone(
    unseen_s: float, other_talks: bool, taken_back: int
) -> None:
    """Ten seconds of each person alone; then the first goes on while the second's place shows."""
    at = {"first": (0, 100), "second": (100, 200), "again": (210, 230)}
    moments = np.zeros((2, 2, 300), np.float32)
    own = np.zeros((2, 3000), bool)
    for who, part in ((0, "first"), (1, "second"), (0, "again")):
        moments[:, who, slice(*at[part])] = 0.6
        own[who, at[part][0] * 10 : at[part][1] * 10] = True
    unseen = slice(2300, 2300 + round(unseen_s * 100))
    own[0, unseen] = True
    if other_talks:
        own[1, 2300:2600] = True
        moments[:, 1, 230:260] = 0.6
    places = Places((3.0, -3.0), moments, 3000)
    loud = np.zeros(3000, bool)
    loud[:2000] = True
    found = places.unseen(own, loud)
    # A quarter of a second after a place was seen counts as seen: averages smear it.
    assert found[0].sum() == pytest.approx(taken_back, abs=6)
    assert not found[1].any()


def test_places_are_not_needed() -> None:
    """Recordings measured without arrivals are listened to by level alone."""
    scene = speech_scene.make(3)
    known = measured(scene)
    spectra = replace(known.spectra, cross=None)
    hearing = hear(replace(known, spectra=spectra))
    assert hearing.activity.places is None
    assert owned(hearing, scene)[0] > 0.6


@pytest.mark.parametrize(("leak_power", "stands_out"), [(0.5, False), (1.5, True)])
def test_a_leak_stands_out_where_it_is_louder_than_the_noise(
    leak_power: float, stands_out: bool
) -> None:
    level = leak_level(
        np.full(500, 100.0), np.full(500, 1.0 + leak_power), np.ones(500, bool), 0.0, 1.0
    )
    assert level is not None
    assert not level.is_upper_bound
    assert level.stands_out is stands_out


def told_share(samples: np.ndarray, spoken: list[tuple[int, float, float]]) -> list[float]:
    """Return the share of each person's words that is given to them, and to them alone."""
    heard = hear(measure([samples.astype(np.float32)], RATE_HZ, 2, bit_depth=24))
    own = heard.activity.single
    said = np.zeros_like(own)
    for who, start_s, end_s in spoken:
        said[who, round(start_s * 100) : round(end_s * 100)] = True
    return [float(own[mic][said[mic]].mean()) for mic in (0, 1)]


@pytest.mark.parametrize("leaks_db", [(-20.0, -12.0), (-14.0, -14.0), (-8.0, -10.0)])
def test_two_voices_that_leak_through_a_cable_are_two_people(leaks_db: tuple[float, float]) -> None:
    """Neither is late in the other channel, so that both come with one difference in time."""
    scene = speech_scene.make(6, leak_db=None, noise_dbfs=-60.0)
    leaks = 10 ** (np.array(leaks_db) / 20) * scene.voices
    assert min(told_share(scene.samples + leaks[:, ::-1], scene.spoken)) > 0.8


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_faint_interviewer_beside_hiss_takes_no_word_from_a_loud_subject(seed: int) -> None:
    """Their leak is 15 dB under them, the subject's under the noise: levels lie 57 dB apart."""
    said = (INTERVIEWER, SUBJECT, SUBJECT, SUBJECT)
    scene = speech_scene.make(5, leak_db=None, noise_dbfs=-100.0, speakers=said)
    gains = 10 ** (np.array([-10.0, 10.0]) / 20)
    leak = np.roll(scene.voices[:, 0], round(0.003 * RATE_HZ)) * 10 ** (-25 / 20)
    noise = np.random.default_rng(seed).standard_normal(scene.samples.shape)
    samples = scene.voices * gains + noise * 10 ** (np.array([-52.0, -50.0]) / 20)
    samples[:, 1] += leak
    assert min(told_share(np.clip(samples, -1, 1), scene.spoken)) > 0.8
