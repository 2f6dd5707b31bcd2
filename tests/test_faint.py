"""A receiver that mutes to its own hiss, laid onto mixes of real speech."""

import dataclasses

import numpy as np
import pytest
import speech_scene
from speech_scene import INTERVIEWER, RATE_HZ, SUBJECT

from dualmic.findings import Limits, all_findings
from dualmic.findings.base import Finding
from dualmic.findings.dropouts import dropouts
from dualmic.hearing import hear
from dualmic.measure import measure
from dualmic.meters.continuity import ContinuityMeter, HeldRun, dies_away
from dualmic.meters.faint_ends import ROUGH, STEP_DB, is_cut_off, is_torn
from dualmic.tiles import spans


def findings(samples: np.ndarray) -> list[Finding]:
    measured = measure([samples.astype(np.float32)], RATE_HZ, 2, bit_depth=24)
    found = all_findings(hear(measured), Limits(), (0, 1))
    return [f for f in found if f.kind == "dropout"]


def runs(
    samples: np.ndarray, block: int = RATE_HZ, *, is_lossy: bool = False
) -> list[list[HeldRun]]:
    meter = ContinuityMeter(RATE_HZ, 2, is_lossy=is_lossy)
    parts = (samples[at : at + block].astype(np.float32) for at in range(0, len(samples), block))
    for span in spans(parts, RATE_HZ):
        meter.push(span)
    return meter.result()


def muted_to_hiss(samples: np.ndarray, length_s: float, level_dbfs: float, at_s: float) -> None:
    part = slice(round(at_s * RATE_HZ), round((at_s + length_s) * RATE_HZ))
    hiss = np.random.default_rng(9).normal(0, 10 ** (level_dbfs / 20), part.stop - part.start)
    samples[part, SUBJECT] = hiss


def sink_in_the_first_pause(scene: speech_scene.Scene, by_db: float) -> None:
    """Turn the subject's microphone down for the three seconds after the first answer."""
    _, end_s = scene.answers()[0]
    at = np.array([end_s + 0.1, end_s + 0.3, end_s + 3.2, end_s + 3.4]) * RATE_HZ
    gain_db = np.interp(np.arange(len(scene.samples)), at, [0.0, -by_db, -by_db, 0.0])
    scene.samples[:, SUBJECT] *= 10 ** (gain_db / 20)


@pytest.mark.parametrize("length_s", [0.007, 0.05, 1.2])
def test_mute_to_hiss_is_lost_sound(length_s: float) -> None:
    """The hiss lies 25 dB under the microphone's own background of -70 dBFS."""
    scene = speech_scene.make(2)
    start_s, end_s = scene.answers()[0]
    at_s = (start_s + end_s) / 2
    muted_to_hiss(scene.samples, length_s, -95.0, at_s)
    (found,) = findings(scene.samples)
    assert (found.mic, found.facts["frozen"]) == (SUBJECT, False)
    assert abs(found.start_s - at_s) < 0.05
    assert abs(found.end_s - at_s - length_s) < 0.05


def test_mute_near_the_quietest_background_is_lost_where_speech_is_torn() -> None:
    """For three seconds the background lies 20 dB lower, and 9 dB over the receiver's hiss."""
    scene = speech_scene.make(3, gap_s=3.5)
    sink_in_the_first_pause(scene, 20.0)
    at_s = scene.answers()[1][0] + 1.0
    muted_to_hiss(scene.samples, 0.3, -99.0, at_s)
    (found,) = [f for f in findings(scene.samples) if f.severity != "note"]
    assert found.mic == SUBJECT
    assert abs(found.start_s - at_s) < 0.05
    assert abs(found.end_s - at_s - 0.3) < 0.05


def test_a_gate_that_closes_slowly_is_no_lost_sound() -> None:
    """The background sinks by 30 dB over 60 ms in a pause and comes back as slowly."""
    scene = speech_scene.make(2)
    gain_db = np.zeros(len(scene.samples))
    pause_s = scene.answers()[0][1] + 0.3
    at = np.array([pause_s, pause_s + 0.06, pause_s + 0.5, pause_s + 0.56]) * RATE_HZ
    gain_db = np.interp(np.arange(len(gain_db)), at, [0.0, -30.0, -30.0, 0.0])
    scene.samples[:, SUBJECT] *= 10 ** (gain_db / 20)
    assert findings(scene.samples) == []


@pytest.mark.parametrize(("takes_s", "lost"), [(0.001, True), (0.012, False)])
def test_what_takes_ten_milliseconds_to_fall_is_no_lost_sound(takes_s: float, lost: bool) -> None:
    """Before and after a stop, words fall by 45 dB in 12 ms; what switches a link takes less."""
    scene = speech_scene.make(5, noise_dbfs=-75.0)
    at_s = np.arange(len(scene.samples)) / RATE_HZ
    gain_db = np.zeros(len(at_s))
    for start_s, _ in scene.answers():
        for stop_s in start_s + 1.0 + 0.2 * np.arange(6):
            knots_s = stop_s + np.array([0.0, takes_s, takes_s + 0.03, 2 * takes_s + 0.03])
            gain_db = np.minimum(gain_db, np.interp(at_s, knots_s, [0.0, -45.0, -45.0, 0.0]))
    scene.samples[:, SUBJECT] *= 10 ** (gain_db / 20)
    assert bool(findings(scene.samples)) == lost


@pytest.mark.parametrize("takes_s", [0.004, 0.012])
def test_a_link_that_fades_under_a_loud_background_is_lost_sound(takes_s: float) -> None:
    """For a second in the midst of a word, 18 dB under it: no gate closes there alone."""
    scene = speech_scene.make(2, noise_dbfs=-48.0)
    at_s = sum(scene.answers()[0]) / 2
    faded = scene.samples.copy()
    muted_to_hiss(faded, 1.0 + 2 * takes_s, -66.0, at_s)
    edges = np.array([at_s, at_s + takes_s, at_s + 1 + takes_s, at_s + 1 + 2 * takes_s]) * RATE_HZ
    gain = np.interp(np.arange(len(faded)), edges, [1.0, 0.0, 0.0, 1.0])[:, None]
    found = findings(gain * scene.samples + (1 - gain) * faded)
    assert [f.severity for f in found] == ["fail"]
    assert found[0].end_s - found[0].start_s == pytest.approx(1.0, abs=0.03)


@pytest.mark.parametrize("offset", [0.0, 0.1])
def test_words_lost_for_much_of_a_second_are_no_muted_pauses(offset: float) -> None:
    """Whoever is lost is heard by nobody; an offset is no background that the loss lies in."""
    scene = speech_scene.make(2)
    times_s = [start_s + after_s for start_s, _ in scene.answers() for after_s in (0.8, 2.4)]
    for at_s in times_s:
        muted_to_hiss(scene.samples, 0.9, -95.0, at_s)
    scene.samples[:, SUBJECT] = 0.5 * scene.samples[:, SUBJECT] + offset
    found = findings(scene.samples)
    assert [f.severity for f in found] == ["fail"] * len(times_s)
    assert [f.start_s for f in found] == pytest.approx(times_s, abs=0.05)


def test_silence_a_coder_pads_the_ends_with_is_no_lost_sound() -> None:
    scene = speech_scene.make(1)
    samples = scene.samples
    for part in (slice(0, 2227), slice(len(samples) - 1440, len(samples))):
        samples[part] = np.random.default_rng(9).normal(0, 10 ** (-110 / 20), samples[part].shape)
    assert findings(samples) == []


def test_words_up_to_a_coders_last_frame_lose_nothing() -> None:
    """The take was stopped in a word; the frame it ends in was filled up with zeros."""
    scene = speech_scene.make(2)
    _, end_s = scene.answers()[-1]
    stopped = scene.samples[: round((end_s - 0.8) * RATE_HZ)]
    assert np.abs(stopped[-RATE_HZ // 20 :]).max() > 10 ** (-30 / 20)
    assert findings(np.concatenate([stopped, np.zeros((708, 2))])) == []


def test_speech_over_strong_hum_or_rumble_is_no_hiss() -> None:
    """At the crest of a 50 Hz hum, and between two swings of a rumble, 5 ms are quiet."""
    scene = speech_scene.make(2)
    time_s = np.arange(len(scene.samples)) / RATE_HZ
    rng = np.random.default_rng(3)
    rumble = np.cumsum(rng.normal(0, 1, scene.samples.shape), axis=0)
    rumble -= np.array([np.convolve(row, np.ones(1600) / 1600, "same") for row in rumble.T]).T
    hum = 0.02 * np.sin(2 * np.pi * 50 * time_s)[:, None]
    noisy = scene.samples + hum + 0.01 * rumble / rumble.std()
    assert not any(run.is_hiss for mic in runs(noisy) for run in mic)


def test_runs_do_not_depend_on_blocks() -> None:
    scene = speech_scene.make(1)
    start_s, _ = scene.answers()[0]
    muted_to_hiss(scene.samples, 0.3, -95.0, np.ceil(start_s) - 0.1)  # over a whole second
    assert runs(scene.samples, 777) == runs(scene.samples)
    assert sum(run.is_hiss for mic in runs(scene.samples) for run in mic) == 1


def test_gaps_between_dry_words_are_no_mutes() -> None:
    """Words of a dry voice over a hiss: most gaps begin and end at once, some words die away."""
    rng = np.random.default_rng(5)
    gain_db = []
    for number in range(120):
        gain_db += [0.0] * round(rng.uniform(0.2, 0.5) * RATE_HZ)
        fall = np.linspace(0.0, -40.0, round(0.1 * RATE_HZ)) if number % 2 == 0 else []
        gain_db += [*fall, *[-60.0] * round(rng.uniform(0.015, 0.06) * RATE_HZ)]
    words = rng.normal(0, 10 ** (-30 / 20), (len(gain_db), 2))
    hiss = rng.normal(0, 10 ** (-66 / 20), words.shape)
    samples = words * 10 ** (np.array(gain_db) / 20)[:, None] + hiss
    assert not any(run.is_hiss for mic in runs(samples) for run in mic)


def held_and_dithered(samples: np.ndarray, length_s: float, at_s: float) -> np.ndarray:
    """Return the scene in steps of 16 bits, dithered after one value was held for so long."""
    part = slice(round(at_s * RATE_HZ), round((at_s + length_s) * RATE_HZ))
    samples[part, SUBJECT] = samples[part.start - RATE_HZ // 500 : part.start, SUBJECT].max()
    rng = np.random.default_rng(9)
    dither = rng.uniform(-1, 1, samples.shape) + rng.uniform(-1, 1, samples.shape)
    return np.round(samples * 2**15 + dither / 2) / 2**15


@pytest.mark.parametrize("gain_db", [0.0, -16.0, -24.0])
@pytest.mark.parametrize("length_s", [0.03, 0.3])
def test_a_value_held_under_dither_is_lost_sound(length_s: float, gain_db: float) -> None:
    """The background lies at -70 dBFS, or so low that dither comes to it within 12 dB, or 4."""
    scene = speech_scene.make(2)
    start_s, end_s = scene.answers()[0]
    at_s = (start_s + end_s) / 2
    scene.samples *= 10 ** (gain_db / 20)
    (found,) = findings(held_and_dithered(scene.samples, length_s, at_s))
    assert (found.mic, found.severity, found.facts["frozen"]) == (SUBJECT, "fail", True)
    assert abs(found.start_s - at_s) < 0.05
    assert abs(found.end_s - at_s - length_s) < 0.05


def test_low_frequencies_under_a_background_of_a_bit_are_no_held_value() -> None:
    """At its crests a swing of 50 Hz, ten steps high, hardly moves for 5 ms."""
    scene = speech_scene.make(2, noise_dbfs=-96.0)
    hum = 10 / 2**15 * np.sin(2 * np.pi * 50 * np.arange(len(scene.samples)) / RATE_HZ)
    assert not any(run.is_hiss for mic in runs(scene.samples + hum[:, None]) for run in mic)


@pytest.mark.parametrize(("is_lossy", "smear_s"), [(False, 0.0), (True, 0.018), (True, 0.0)])
def test_a_fall_that_a_codec_smeared_over_a_frame_is_lost_sound(
    is_lossy: bool, smear_s: float
) -> None:
    """What is left of it, 12 dB under the background and 12 over the hiss, is no fade elsewhere."""
    scene = speech_scene.make(1)
    (start_s, _), *_ = scene.answers()
    at_s = start_s - 0.5
    muted_to_hiss(scene.samples, 0.3, -94.0, at_s)
    muted_to_hiss(scene.samples, smear_s, -82.0, at_s)
    lengths = [run.end_s - run.start_s for run in runs(scene.samples, is_lossy=is_lossy)[SUBJECT]]
    assert lengths == pytest.approx([0.3 - smear_s], abs=0.02)
    if smear_s:
        assert runs(scene.samples)[SUBJECT] == []


def test_a_closure_heard_through_a_gain_that_holds_the_word_down_is_no_lost_sound() -> None:
    """A sixth of a second after each of the subject's answers the gain is up by 30 dB again."""
    scene = speech_scene.make(6, gap_s=1.0)
    down_db = np.zeros(len(scene.samples))
    for start_s, end_s in scene.answers():
        start, end = round(start_s * RATE_HZ), round(end_s * RATE_HZ)
        down_db[start:end] = -30.0
        rise = down_db[end : end + RATE_HZ // 6]
        rise[:] = np.linspace(-30.0, 0.0, RATE_HZ // 6)[: len(rise)]
        for at_s in np.arange(start_s + 0.5, end_s - 0.5, 0.7):
            muted_to_hiss(scene.samples, 0.04, -70.0, at_s)
    scene.samples[:, SUBJECT] *= 10 ** (down_db / 20)
    assert not findings(scene.samples)


@pytest.mark.parametrize(
    ("goes_on", "dies_s", "lost"), [(True, 0, True), (False, 0, False), (False, 10, False)]
)
def test_hiss_as_loud_as_the_background_is_lost_where_the_other_hears_the_word_go_on(
    goes_on: bool, dies_s: int, lost: bool
) -> None:
    """A synthetic voice may stop as sharply, and is gone from both microphones then.

    What the other holds while it is dead is no background to hold a voice against.
    """
    scene = speech_scene.make(3)
    at_s = scene.answers()[1][0] + 2.5
    part = slice(round(at_s * RATE_HZ), round((at_s + 0.8) * RATE_HZ))
    scene.samples[part, SUBJECT] = scene.noise[part, SUBJECT]
    if not goes_on:
        scene.samples[part] = scene.noise[part]
    scene.samples[: dies_s * RATE_HZ, INTERVIEWER] = 0
    found = [f for f in findings(scene.samples) if f.severity != "note"]
    assert [(f.mic, f.severity) for f in found] == [(SUBJECT, "fail")] * lost
    assert all(abs(f.start_s - at_s) < 0.05 and abs(f.end_s - at_s - 0.8) < 0.05 for f in found)


@pytest.mark.parametrize(("turns", "kinds"), [(0, ["dropout"]), (1, ["mic_dead"])])
def test_a_background_held_for_ten_seconds_is_a_dead_microphones(
    turns: int, kinds: list[str]
) -> None:
    """From the midst of a word to that of another, of the same answer or of the next."""
    scene = speech_scene.make(6)
    start_s, end_s = scene.answers()[2][0] + 2.5, scene.answers()[2 + turns][0] + 3.3
    part = slice(round(start_s * RATE_HZ), round(end_s * RATE_HZ))
    scene.samples[part, SUBJECT] = scene.noise[part, SUBJECT]
    measured = measure([scene.samples.astype(np.float32)], RATE_HZ, 2, bit_depth=24)
    found = all_findings(hear(measured), Limits(), (0, 1))
    assert [f.kind for f in found if f.severity == "fail"] == kinds


def levels(before_db: float, fall_ms: int, after_db: float, rise_ms: int) -> np.ndarray:
    """Return what is kept of speech, 300 ms of hiss at -77 dBFS and speech again, every ms."""
    down = np.linspace(before_db, -77.0, fall_ms + 2)[1:-1]
    up = np.linspace(-77.0, after_db, rise_ms + 2)[1:-1]
    level_db = [np.full(100, before_db), down, np.full(300, -77.0), up, np.full(100, after_db)]
    steps: np.ndarray = np.round(-np.concatenate(level_db) / STEP_DB).astype(np.uint8) + ROUGH
    return steps


@pytest.mark.parametrize(
    ("before_db", "fall_ms", "after_db", "rise_ms", "smear_ms", "torn"),
    [
        (-30.0, 2, -50.0, 2, 0, True),  # as far at both ends
        (-30.0, 2, -57.0, 2, 0, True),  # cut off, and back in a soft sound
        (-57.0, 2, -30.0, 2, 0, False),  # a word that begins after a soft one
        (-30.0, 2, -64.0, 2, 0, False),  # nothing comes back
        (-30.0, 14, -30.0, 2, 0, False),  # dies away
        (-30.0, 14, -30.0, 2, 21, True),  # in a coder that smears
        (-30.0, 14, -30.0, 14, 21, False),
    ],
)
def test_what_is_cut_off_falls_faster_than_any_word(
    before_db: float, fall_ms: int, after_db: float, rise_ms: int, smear_ms: int, torn: bool
) -> None:
    kept = levels(before_db, fall_ms, after_db, rise_ms)
    inside = np.flatnonzero(kept % ROUGH >= 77 / STEP_DB - 2)
    assert is_torn(kept, (int(inside[0]), int(inside[-1]) + 1), smear_ms) == torn


@pytest.mark.parametrize("fade_s", [0.008, 0.025])
def test_a_hole_with_faded_edges_is_lost_sound(fade_s: float) -> None:
    """A link fades out in the midst of a word and back in: its hiss lies 25 dB under the room."""
    scene = speech_scene.make(2)
    start_s, end_s = scene.answers()[0]
    at_s, length_s = (start_s + end_s) / 2, 0.25
    knots_s = at_s + np.array([0.0, fade_s, length_s - fade_s, length_s])
    gain = np.interp(np.arange(len(scene.samples)) / RATE_HZ, knots_s, [1.0, 0.0, 0.0, 1.0])
    scene.samples[:, SUBJECT] *= gain
    scene.samples[:, SUBJECT] += np.random.default_rng(4).normal(0, 10 ** (-95 / 20), len(gain))
    (found,) = findings(scene.samples)
    assert (found.mic, found.severity, found.spoils) == (SUBJECT, "fail", True)
    assert abs(found.start_s - at_s) < 0.05
    assert abs(found.end_s - at_s - length_s) < 0.05


def test_dither_that_is_zero_for_some_milliseconds_is_one_lost_stretch() -> None:
    """A recorder of 16 bits dithers: of the samples looked at, 5 ms are zero once in a second."""
    scene = speech_scene.make(2)
    for at_s in [sum(answer) / 2 for answer in scene.answers()]:
        muted_to_hiss(scene.samples, 0.7, -200.0, at_s)
        rng = np.random.default_rng(5)
        part = slice(round(at_s * RATE_HZ), round((at_s + 0.7) * RATE_HZ))
        ticks = rng.choice([-1.0, 0.0, 1.0], part.stop - part.start, p=[0.05, 0.9, 0.05])
        scene.samples[part, SUBJECT] = ticks / 2**15
    found = findings(scene.samples)
    assert [f.severity for f in found] == ["fail"] * len(scene.answers())
    assert all(f.end_s - f.start_s == pytest.approx(0.7, abs=0.02) for f in found)


@pytest.mark.parametrize(("hiss_dbfs", "found"), [(-86.0, True), (-83.0, False)])
def test_what_holds_the_hiss_of_a_sure_mute_is_lost_too(hiss_dbfs: float, found: bool) -> None:
    """For three seconds the background lies 6 dB lower: against that, only steep ends tell.

    A second mute begins in a soft sound, 22 dB over its hiss, and ends in a loud one.
    """
    scene = speech_scene.make(3, gap_s=3.5)
    sink_in_the_first_pause(scene, 6.0)
    at_s = scene.answers()[1][0] + 1.0
    muted_to_hiss(scene.samples, 0.3, -86.0, at_s)
    soft_s = scene.answers()[2][0] + 2.0
    muted_to_hiss(scene.samples, 0.1, -64.0, soft_s - 0.1)
    muted_to_hiss(scene.samples, 0.3, hiss_dbfs, soft_s)
    starts_s = [run.start_s for run in runs(scene.samples)[SUBJECT]]
    assert any(abs(start_s - soft_s) < 0.05 for start_s in starts_s) == found


def test_a_fade_counts_from_where_half_of_the_voice_is_left() -> None:
    """Over 70 ms a link fades out in a word and back in: the silence itself is much shorter."""
    scene = speech_scene.make(2)
    start_s, end_s = scene.answers()[0]
    at_s = (start_s + end_s) / 2
    knots_s = at_s + np.array([0.0, 0.07, 0.33, 0.4])
    times_s = np.arange(len(scene.samples)) / RATE_HZ
    part = (times_s > knots_s[0] - 0.3) & (times_s < knots_s[-1] + 0.3)
    tone = 0.05 * np.sin(2 * np.pi * 150 * times_s[part])
    scene.samples[part, SUBJECT] = tone + scene.noise[part, SUBJECT]
    scene.samples[:, SUBJECT] *= np.interp(times_s, knots_s, [1.0, 0.0, 0.0, 1.0])
    (found,) = findings(scene.samples)
    assert abs(found.start_s - at_s) < 0.05
    assert abs(found.end_s - at_s - 0.4) < 0.05


@pytest.mark.parametrize(
    ("before_db", "fall_ms", "smear_ms", "cut_off"),
    [
        (-30.0, 2, 0, True),
        (
            -57.0,
            2,
            0,
            False,
        ),  # a gate that shuts: the room, 3 dB over the background, is heard first
        (-30.0, 14, 0, False),  # dies away
        (-30.0, 14, 21, True),  # in a coder that smears
    ],
)
def test_what_falls_at_once_from_loud_sound_to_under_the_room_need_not_come_back(
    before_db: float, fall_ms: int, smear_ms: int, cut_off: bool
) -> None:
    """The background lies at -60 dBFS, 17 dB over the hiss."""
    kept = levels(before_db, fall_ms, -70.0, 40)
    inside = np.flatnonzero(kept % ROUGH >= 72 / STEP_DB)
    run = int(inside[0]), int(inside[-1]) + 1
    assert is_cut_off(kept, run, 60 / STEP_DB, smear_ms) == cut_off
    assert not is_cut_off(kept, run, 66 / STEP_DB, smear_ms)  # not far under it


@pytest.mark.parametrize(("length_s", "severity"), [(0.1, "fail"), (0.03, "note")])
def test_a_silence_faded_into_through_the_last_bits_is_lost_among_words(
    length_s: float, severity: str
) -> None:
    """Once, and for longer than a stop: that is not how the recording falls silent."""
    scene = speech_scene.make(2)
    at_s = sum(scene.answers()[0]) / 2
    measured = measure([scene.samples.astype(np.float32)], RATE_HZ, 2, bit_depth=24)
    held = [[], [HeldRun(at_s, at_s + length_s, 0.0, steps=1.0)]]
    found = dropouts(hear(dataclasses.replace(measured, held=held)), Limits())
    assert [(f.mic, f.severity) for f in found] == [(SUBJECT, severity)]


def test_hiss_of_less_than_a_bit_is_one_silence() -> None:
    """Its zeros are torn in pieces by its ticks: that is no recording that dies away."""
    pieces = [HeldRun(at_s, at_s + 0.02, 0.0, steps=1.0) for at_s in (1.0, 1.021, 1.042, 1.063)]
    assert not dies_away(pieces)
    assert dies_away([HeldRun(at_s, at_s + 0.02, 0.0, steps=1.0) for at_s in (1.0, 2.0, 3.0)])
