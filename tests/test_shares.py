"""Two voices at once share the spectrum, tone by tone; one voice, or other sound, does not."""

import numpy as np
import pytest
import speech_scene
from scipy.signal import fftconvolve
from speech_scene import INTERVIEWER, RATE_HZ, SUBJECT

from dualmic.findings import Limits, all_findings
from dualmic.hearing import hear
from dualmic.measure import measure
from dualmic.meters.phases import NOTHING, STEPS, TONES_EACH, PhaseMeter
from dualmic.meters.shares import find_shares

BANDS, MOMENTS = 54, 400
BINS_HZ = np.arange(150.0, 7000.0, 10.0)
FRAMES = 400


def _late(frames: int, late_ms: float) -> np.ndarray:
    """Return cross-spectra ``(frames, bins)`` of a noise that is late in the second microphone."""
    rng = np.random.default_rng(1)
    size = rng.exponential(size=(frames, len(BINS_HZ))) * np.hanning(frames)[:, None] ** 4 + 1e-6
    return size * np.exp(2j * np.pi * BINS_HZ * late_ms / 1000)


def test_the_strongest_tone_of_each_band_is_kept_with_its_phase() -> None:
    cross = _late(FRAMES, 3.0)
    meter = PhaseMeter(BINS_HZ)
    meter.push(cross)
    codes = meter.result()
    assert codes.shape == (FRAMES // 2, BANDS)
    used = cross[:, 15 : 15 + BANDS * TONES_EACH]
    total = 0.5 * used[199] + used[200] + 0.5 * used[201]  # moment 100 is frame 200
    tone = np.abs(total).reshape(BANDS, TONES_EACH).argmax(axis=1)
    assert (codes[100] // STEPS == tone).all()
    hz = 300 + 10 * (np.arange(BANDS) * TONES_EACH + tone)
    turns = hz * 0.003 % 1
    off = (codes[100] % STEPS / STEPS - turns + 0.5) % 1 - 0.5
    assert np.abs(off).max() <= 0.5 / STEPS + 1e-6
    assert (codes[:5] == NOTHING).mean() > 0.9  # nothing stands out before it comes up


def test_phases_do_not_depend_on_how_frames_come() -> None:
    cross = _late(FRAMES, 3.0)
    whole, parts = PhaseMeter(BINS_HZ), PhaseMeter(BINS_HZ)
    whole.push(cross)
    for first in range(0, FRAMES, 7):
        parts.push(cross[first : first + 7])
    assert (whole.result() == parts.result()).all()


def test_silence_has_no_phase() -> None:
    meter = PhaseMeter(BINS_HZ)
    meter.push(np.zeros((40, len(BINS_HZ)), np.complex64))
    assert (meter.result() == NOTHING).all()


def _codes(rng: np.random.Generator, phase: np.ndarray | None, moments: int) -> np.ndarray:
    """Return codes of a voice whose tones have these phases, but for some; or of any phase."""
    tone = rng.integers(TONES_EACH, size=(moments, BANDS))
    anything = rng.integers(STEPS, size=(moments, BANDS))
    if phase is None:
        return (tone * STEPS + anything).astype(np.uint8)
    told = (phase[np.arange(BANDS), tone] + rng.integers(-4, 5, tone.shape)) % STEPS
    stray = rng.random(tone.shape) < 0.15
    return (tone * STEPS + np.where(stray, anything, told)).astype(np.uint8)


def _ten_seconds_each(
    rng: np.random.Generator,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return codes of the first person, the second, and of both in turn: the second from 10 s on.

    And who speaks, ``(2, cells)``, after 20 s the first one; and where that is sure.
    """
    phases = rng.integers(STEPS, size=(2, BANDS, TONES_EACH))
    one, two = (_codes(rng, phase, MOMENTS) for phase in phases)
    codes = one.copy()
    codes[100:200] = two[100:200]
    own = np.zeros((2, 10 * MOMENTS), bool)
    own[0] = True
    own[:, 1000:2000] = [[False], [True]]
    sure = own.copy()
    sure[:, 2800:3400] = False
    return one, two, codes, own, sure


@pytest.mark.parametrize("what", ["both", "second", "other sound"])
def test_both_are_told_from_one_and_from_other_sound(what: str) -> None:
    """Ten seconds of each person alone, then the first one; from 30 to 32 s something else."""
    rng = np.random.default_rng(3)
    one, two, codes, own, sure = _ten_seconds_each(rng)
    part = slice(300, 320)
    if what == "both":
        theirs = rng.random((20, BANDS)) < 0.4
        codes[part] = np.where(theirs, two[part], one[part])
    elif what == "second":
        codes[part] = two[part]
    else:
        codes[part] = _codes(rng, None, 20)
    shares = find_shares(codes, own, sure)
    assert shares is not None
    found = shares.at_once
    expected = np.zeros(10 * MOMENTS, bool)
    expected[3000:3200] = what == "both"
    assert np.abs(found.astype(int) - expected).sum() <= 20  # a moment at each end


@pytest.mark.parametrize("said", ["the other's", "both people's"])
def test_a_voice_that_fills_the_spectrum_alone_is_its_own(said: str) -> None:
    """Ten seconds of each person alone, then the first one; levels err from 30 to 32 s."""
    rng = np.random.default_rng(3)
    _, two, codes, right, sure = _ten_seconds_each(rng)
    own = right.copy()
    own[:, 3000:3200] = [[said == "both people's"], [True]]
    shares = find_shares(codes, own, sure)
    assert shares is not None
    assert (shares.settled(own) == right)[:, 2000:].all()
    # Of two who do talk at once both keep their words.
    theirs = rng.random((20, BANDS)) < 0.4
    codes[300:320] = np.where(theirs, two[300:320], codes[300:320])
    own[:, 3000:3200] = True
    shares = find_shares(codes, own, sure)
    assert shares is not None
    assert shares.settled(own)[:, 3010:3190].all()


def test_where_phases_tell_nothing_nothing_is_told() -> None:
    rng = np.random.default_rng(3)
    codes = _codes(rng, None, MOMENTS)
    own = np.ones((2, 10 * MOMENTS), bool)
    own[0, :1000] = own[1, 1000:2000] = False
    shares = find_shares(codes, own, np.stack([own[0] & ~own[1], own[1] & ~own[0]]))
    assert shares is None or not shares.at_once.any()
    assert shares is None or (shares.settled(own) == own).all()


def test_where_phases_of_both_are_alike_nothing_is_told() -> None:
    """As of two voices that leak through a cable: chance alone would part them."""
    rng = np.random.default_rng(3)
    phases = rng.integers(STEPS, size=(BANDS, TONES_EACH))
    own = np.ones((2, 10 * MOMENTS), bool)
    own[0, :1000] = own[1, 1000:2000] = False
    alone = np.stack([own[0] & ~own[1], own[1] & ~own[0]])
    assert find_shares(_codes(rng, phases, MOMENTS), own, alone) is None


def test_one_microphone_recorded_twice_shows_no_place() -> None:
    """The second person is heard there alone; what has no phase later on is not theirs."""
    rng = np.random.default_rng(3)
    codes = _codes(rng, rng.integers(STEPS, size=(BANDS, TONES_EACH)), MOMENTS)
    twice = (codes // STEPS * STEPS).astype(np.uint8)
    codes[100:200] = twice[100:200]
    some = rng.random((20, BANDS)) < 0.4
    codes[300:320] = np.where(some, twice[300:320], codes[300:320])
    own = np.zeros((2, 10 * MOMENTS), bool)
    own[0] = True
    own[:, 1000:2000] = [[False], [True]]
    sure = own.copy()
    sure[:, 2800:3400] = False
    shares = find_shares(codes, own, sure)
    assert shares is None or not shares.at_once.any()


def _with_reflections(
    scene: speech_scene.Scene, leak_db: float, louder: slice = slice(0), by_db: float = 0.0
) -> np.ndarray:
    """Return both microphones; the subject leaks by so much more in one part."""
    samples = scene.voices + scene.noise
    rng = np.random.default_rng(3)
    frames = round(0.4 * RATE_HZ)  # dies away by 60 dB
    for who in (INTERVIEWER, SUBJECT):
        room = rng.normal(size=frames) * 10 ** (-3 * np.arange(frames) / frames)
        room[: round(0.003 * RATE_HZ)] = 0
        room[round(0.003 * RATE_HZ)] = 8  # the direct sound, a twentieth of it all
        room *= 10 ** (leak_db / 20) / np.sqrt(np.sum(room**2))
        voice = scene.voices[:, who].copy()
        if who == SUBJECT:
            voice[louder] *= 10 ** (by_db / 20)
        samples[:, 1 - who] += fftconvolve(voice, room)[: len(samples)]
    return samples


@pytest.mark.parametrize("leak_db", [-6.0, -4.0])
@pytest.mark.parametrize("swing_db", [0.0, 2.0])
def test_interruptions_are_found_in_a_room_that_leaks(leak_db: float, swing_db: float) -> None:
    """The leaks are reflections for the most; the subject's input stays, or wanders to and fro."""
    scene = speech_scene.make(5, leak_db=None)
    places_s = [start_s + 0.4 for start_s, _ in scene.answers()[1:4]]
    words = speech_scene.utterances()[INTERVIEWER][2][: round(2.5 * RATE_HZ)]
    for at_s in places_s:
        scene.voices[round(at_s * RATE_HZ) :][: len(words), INTERVIEWER] += words
    samples = _with_reflections(scene, leak_db)
    swing = np.sin(2 * np.pi * np.arange(len(samples)) / (4 * RATE_HZ))
    samples[:, SUBJECT] *= 10 ** (swing_db * swing / 20)
    measured = measure([samples.astype(np.float32)], RATE_HZ, 2, bit_depth=24)
    said = all_findings(hear(measured), Limits(), (INTERVIEWER, SUBJECT))
    found = sorted((f for f in said if f.kind == "both_talking"), key=lambda f: f.start_s)
    assert np.allclose([f.start_s for f in found], places_s, atol=0.4)
    assert np.allclose([f.end_s for f in found], np.add(places_s, 2.5), atol=0.4)


@pytest.mark.parametrize("by_db", [9.0, 12.0])
def test_who_turns_to_the_other_microphone_is_not_taken_for_its_wearer(by_db: float) -> None:
    """In one answer the subject is louder in the interviewer's microphone than in their own."""
    scene = speech_scene.make(6, leak_db=None)
    start_s, end_s = scene.answers()[3]
    part = slice(round(start_s * RATE_HZ), round(end_s * RATE_HZ))
    samples = _with_reflections(scene, -6.0, part, by_db)
    samples[part, SUBJECT] *= 10 ** (-4 / 20)
    hearing = hear(measure([samples.astype(np.float32)], RATE_HZ, 2, bit_depth=24))
    own = hearing.activity.own[:, round(start_s * 100) + 10 : round(end_s * 100) - 10]
    assert (own[SUBJECT] & ~own[INTERVIEWER]).mean() > 0.9
    assert not own[INTERVIEWER].any()
