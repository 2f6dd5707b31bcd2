"""Microphones that die, and such that only hear little."""

import numpy as np
import pytest
import speech_scene
from scipy.signal import butter, sosfilt
from speech_scene import INTERVIEWER, RATE_HZ, SUBJECT
from test_sounds import cloth

from dualmic.findings import Limits, all_findings
from dualmic.findings.base import Finding
from dualmic.hearing import hear
from dualmic.measure import measure
from dualmic.usual_leak import leak_of


def dead(samples: np.ndarray) -> list[Finding]:
    measured = measure([samples.astype(np.float32)], RATE_HZ, 2, bit_depth=24)
    return [f for f in all_findings(hear(measured), Limits(), (0, 1)) if f.kind == "mic_dead"]


@pytest.mark.parametrize("left_dbfs", [-95.0, -70.0, -55.0])
@pytest.mark.parametrize("share", [0.15, 0.5])
def test_a_microphone_that_dies_early_is_dead_from_then_on(left_dbfs: float, share: float) -> None:
    """What is left is hiss: under, over, or as loud as the background of -70 dBFS that it had."""
    scene = speech_scene.make(6)
    dies = round(share * len(scene.samples))
    hiss = np.random.default_rng(8).normal(0, 10 ** (left_dbfs / 20), len(scene.samples) - dies)
    scene.samples[dies:, SUBJECT] = hiss
    (found,) = dead(scene.samples)
    assert found.mic == SUBJECT
    assert abs(found.start_s - dies / RATE_HZ) < 2.5  # within a pause nobody can tell
    assert found.end_s == pytest.approx(len(scene.samples) / RATE_HZ)


@pytest.mark.parametrize("leak_db", [-20.0, -45.0])
def test_an_interviewer_who_asks_once_is_not_dead(leak_db: float) -> None:
    """At -45 dB no leak is heard either."""
    scene = speech_scene.make(6, leak_db=leak_db)
    for who, start_s, end_s in scene.spoken[1:]:
        if who == INTERVIEWER:
            part = slice(round(start_s * RATE_HZ), round((end_s + 0.01) * RATE_HZ))
            scene.samples[part] = scene.noise[part]
    assert dead(scene.samples) == []


def test_a_microphone_that_holds_its_wearers_words_in_between_is_not_dead() -> None:
    """The interviewer turns away for good: what leaked till then is missing from then on."""
    scene = speech_scene.make(8, leak_db=-14.0, gap_s=0.4)
    turns = len(scene.samples) // 3
    scene.samples[turns:, SUBJECT] = (scene.voices + scene.noise)[turns:, SUBJECT]
    assert dead(scene.samples) == []


@pytest.mark.parametrize(("noise_dbfs", "severity"), [(-49.0, "note"), (-43.0, "warn")])
def test_beside_a_dead_microphone_only_loud_noise_is_too_much(
    noise_dbfs: float, severity: str
) -> None:
    """As loud in it, both people's words are one voice there: a limit is no line."""
    scene = speech_scene.make(4, noise_dbfs=noise_dbfs, leak_db=-4.0)
    scene.samples[:, INTERVIEWER] = 0
    measured = measure([scene.samples.astype(np.float32)], RATE_HZ, 2, bit_depth=24)
    (found,) = [
        f for f in all_findings(hear(measured), Limits(), (0, 1)) if (f.kind, f.mic) == ("noise", 1)
    ]
    assert found.severity == severity


@pytest.mark.parametrize("left_dbfs", [-95.0, -58.0])
@pytest.mark.parametrize("dies_s", [3.0, 8.0])
def test_an_interviewer_who_dies_before_any_leak_is_heard_is_dead(
    dies_s: float, left_dbfs: float
) -> None:
    """It heard nothing but its wearer's first words: only its noise has changed."""
    scene = speech_scene.make(6)
    dies = round(dies_s * RATE_HZ)
    hiss = np.random.default_rng(8).normal(0, 10 ** (left_dbfs / 20), len(scene.samples) - dies)
    scene.samples[dies:, INTERVIEWER] = hiss
    (found,) = [f for f in dead(scene.samples) if f.mic == INTERVIEWER]
    assert abs(found.start_s - dies_s) < 2.5
    assert found.end_s == pytest.approx(len(scene.samples) / RATE_HZ)


@pytest.mark.parametrize(
    ("leak_db", "noise_dbfs"), [(-20.0, -44.0), (-26.0, -50.0), (-26.0, -44.0)]
)
def test_a_machine_that_covers_the_leaks_leaves_no_microphone_dead(
    leak_db: float, noise_dbfs: float
) -> None:
    """A microphone holds its own wearer far louder than a leak: that is not what is missed."""
    scene = speech_scene.make(6, leak_db=leak_db, noise_dbfs=-75.0)
    half = len(scene.samples) // 2
    machine = np.random.default_rng(4).normal(0, 10 ** (noise_dbfs / 20), (half, 2))
    scene.samples[-half:] += machine
    assert dead(scene.samples) == []


@pytest.mark.parametrize(("swells_db", "is_dead"), [(0.0, True), (1.5, False)])
def test_an_input_that_nothing_ever_reaches_is_dead_though_its_hiss_is_loud(
    swells_db: float, is_dead: bool
) -> None:
    """The leak of -14 dB would stand 12 dB over it; a room, heard or not, never holds so still."""
    scene = speech_scene.make(6, noise_dbfs=-75.0)
    hiss = np.random.default_rng(4).normal(0, 10 ** (-48 / 20), len(scene.samples))
    time_s = np.arange(len(hiss)) / RATE_HZ
    hiss *= 10 ** (swells_db / 2 * np.sin(2 * np.pi * time_s / 20) / 20)
    scene.samples[:, INTERVIEWER] = hiss
    assert [f.mic for f in dead(scene.samples)] == [INTERVIEWER] * is_dead


def test_one_noisy_microphone_that_hears_no_leak_is_not_dead() -> None:
    """Its wearer is heard over the noise, the other person never was: nothing is missed."""
    scene = speech_scene.make(6, leak_db=-26.0, noise_dbfs=-75.0)
    noise = np.random.default_rng(4).normal(0, 10 ** (-36 / 20), len(scene.samples))
    scene.samples[:, SUBJECT] += noise
    assert dead(scene.samples) == []


def test_knocks_that_both_microphones_hear_teach_no_leak() -> None:
    """Where nobody knocks nothing is missed: the leak of -60 dB lies far under the noise."""
    scene = speech_scene.make(4, leak_db=-60.0, speakers=(INTERVIEWER, SUBJECT, SUBJECT))
    rng = np.random.default_rng(3)
    times = np.arange(RATE_HZ // 5)
    for start_s, end_s in scene.answers()[:4]:
        for at_s in np.arange(start_s, end_s - 0.2, 2.6):
            knock = rng.normal(0, 0.3, len(times)) * np.exp(-times / (0.03 * RATE_HZ))
            at = round(at_s * RATE_HZ)
            scene.samples[at : at + len(times)] += knock[:, None] * 10 ** (np.array([-16, 0]) / 20)
    assert dead(scene.samples) == []


def test_one_that_comes_back_is_dead_in_between_only() -> None:
    """No leak is heard in it: its noise alone tells, and that of the death is not the usual one.

    What it hears beside the other's voice are its wearer's assents.
    """
    people = (INTERVIEWER, SUBJECT, SUBJECT)
    scene = speech_scene.make(4, leak_db=-45.0, noise_dbfs=-65.0, speakers=people)
    assent = scene.voices[round(1.5 * RATE_HZ) : round(2.5 * RATE_HZ), INTERVIEWER]
    for start_s, _ in scene.answers()[-2:]:
        at = round((start_s + 2) * RATE_HZ)
        scene.samples[at : at + len(assent), INTERVIEWER] += assent
    third = len(scene.samples) // 3
    hiss = np.random.default_rng(8).normal(0, 10 ** (-95 / 20), third)
    scene.samples[third : 2 * third, INTERVIEWER] = hiss
    (found,) = dead(scene.samples)
    assert found.mic == INTERVIEWER
    assert abs(found.start_s - third / RATE_HZ) < 2.5
    assert abs(found.end_s - 2 * third / RATE_HZ) < 2.5


@pytest.mark.parametrize("order", ["it died", "noise hides some"])
def test_leaks_are_asked_of_the_time_in_which_a_microphone_heard_them(order: str) -> None:
    """Though it was dead for the longer part. Traces among moments without any are no death."""
    own, leaks, lost = np.full(40, 15.0), np.full(25, -18.0), np.full(75, -60.0)
    share_db = np.concatenate([own, leaks, lost])
    loud = np.arange(len(share_db)) >= len(own)
    if order == "noise hides some":
        share_db[len(own) :] = np.random.default_rng(2).permutation(share_db[len(own) :])
    found = leak_of(10 ** (share_db / 10), np.where(loud, 1.0, 1e-3), share_db > -40)
    assert found is not None
    expected_db = -18.0 if order == "it died" else -30.0
    assert 10 * np.log10(found.share) == pytest.approx(expected_db)


@pytest.mark.parametrize(("own_db", "leak_db"), [(-14.0, -40.0), (15.0, -30.0)])
def test_a_microphone_recorded_far_lower_holds_less_of_every_voice(
    own_db: float, leak_db: float
) -> None:
    """Its own wearer's as well: only so is a leak of -40 dB known."""
    share_db = np.repeat([own_db, -40.0], 40)
    voices = np.repeat([1e-3, 1.0], 40)
    found = leak_of(10 ** (share_db / 10), voices, share_db > -60)
    assert found is not None
    assert 10 * np.log10(found.share) == pytest.approx(leak_db)


@pytest.mark.parametrize("left_dbfs", [-90.0, None])
def test_with_one_microphone_two_voices_are_told_by_their_levels(left_dbfs: float | None) -> None:
    """The subject's never worked: the interviewer's hears both, the one 14 dB softer."""
    scene = speech_scene.make(4)
    hiss = np.random.default_rng(8).normal(0, 10 ** ((left_dbfs or 0.0) / 20), len(scene.samples))
    scene.samples[:, SUBJECT] = 0.0 if left_dbfs is None else hiss
    measured = measure([scene.samples.astype(np.float32)], RATE_HZ, 2, bit_depth=24)
    own = hear(measured).activity.own
    for who, start_s, end_s in scene.spoken:
        said = slice(round(start_s * 100) + 10, round(end_s * 100) - 10)
        assert own[who, said].mean() > 0.8
        assert own[1 - who, said].mean() == 0


def test_with_one_microphone_its_noise_is_held_against_its_wearers_words_alone() -> None:
    scene = speech_scene.make(4, noise_dbfs=-48.0)
    ratios = []
    for _ in range(2):
        measured = measure([scene.samples.astype(np.float32)], RATE_HZ, 2, bit_depth=24)
        ratios.append(hear(measured).speech_to_noise_db[SUBJECT])
        scene.samples[:, INTERVIEWER] = 0
    assert ratios[1] == pytest.approx(ratios[0], abs=0.3)


def test_one_voice_that_is_louder_and_softer_stays_one() -> None:
    """It grows by 8 dB over the take: all levels between are there as well."""
    scene = speech_scene.make(6, speakers=(INTERVIEWER,))
    scene.samples[:, SUBJECT] = 0.0
    growing = np.linspace(-8.0, 0.0, len(scene.samples))
    scene.samples[:, INTERVIEWER] *= 10 ** (growing / 20)
    measured = measure([scene.samples.astype(np.float32)], RATE_HZ, 2, bit_depth=24)
    assert not hear(measured).activity.own[SUBJECT].any()


def test_one_microphone_recorded_twice_for_a_while_teaches_no_leak() -> None:
    """No leak is heard otherwise, so while the other person talks none is missing."""
    scene = speech_scene.make(2, leak_db=-55.0, speakers=(INTERVIEWER, *[SUBJECT] * 4))
    for start_s, end_s in scene.answers()[3:5]:
        part = slice(round((start_s - 0.3) * RATE_HZ), round((end_s + 0.3) * RATE_HZ))
        scene.samples[part, INTERVIEWER] = scene.samples[part, SUBJECT]
    assert dead(scene.samples) == []


@pytest.mark.parametrize("what", ["cloth", "wind"])
def test_what_only_one_microphone_hears_leaves_the_other_alive(what: str) -> None:
    """Nobody speaks: no leak is missing from what rubs or blows there."""
    scene = speech_scene.make(6, leak_db=-12.0)
    part = slice(len(scene.samples) // 2, len(scene.samples) * 9 // 10)
    scene.samples[part] = scene.noise[part]
    assert part.stop - part.start > 16 * RATE_HZ
    rng = np.random.default_rng(5)
    for number in range(4):
        at = part.start + round((1.0 + 4.0 * number) * RATE_HZ)
        blown = sosfilt(
            butter(1, 60, fs=RATE_HZ, output="sos"), rng.standard_normal(RATE_HZ * 5 // 2)
        )
        sound = cloth(2.5, -26.0) if what == "cloth" else 0.1 * blown / blown.std()
        scene.samples[at : at + len(sound), INTERVIEWER] += sound
    assert dead(scene.samples) == []


@pytest.mark.parametrize("louder", [1.0, 1.7])
def test_noise_that_hides_every_leak_leaves_a_microphone_alive(louder: float) -> None:
    """Both seem as loud in the other microphone: in turns, one of them is not heard at all."""
    scene = speech_scene.make(4, leak_db=-9.0)
    voices, noise = np.zeros_like(scene.voices), scene.noise.copy()
    for who, start_s, end_s in scene.spoken:
        part = slice(round(start_s * RATE_HZ), round((end_s + 0.05) * RATE_HZ))
        there, here = (0.35 * louder, 0.0) if who == INTERVIEWER else (0.35, 1.0)
        voices[part, INTERVIEWER] = there * scene.voices[part, who]
        voices[part, SUBJECT] = here * scene.voices[part, who]
    noise[:, SUBJECT] = np.random.default_rng(4).normal(0, 0.02, len(noise))
    assert dead(voices + noise) == []


def test_interference_in_a_pause_does_not_bring_a_dead_microphone_back_to_life() -> None:
    """Its hiss is as loud as its background was, and nothing is missed while nobody speaks."""
    scene = speech_scene.make(6, leak_db=-12.0)
    dies, pause = (round(share * len(scene.samples)) for share in (0.3, 0.55))
    silent = slice(pause, pause + 14 * RATE_HZ)
    scene.samples[silent] = scene.noise[silent]
    scene.samples[dies:, SUBJECT] = scene.noise[dies:, SUBJECT]
    rattles = slice(pause + RATE_HZ, pause + 13 * RATE_HZ)
    time_s = np.arange(12 * RATE_HZ) / RATE_HZ
    scene.samples[rattles, SUBJECT] *= np.where(time_s % 0.7 < 0.35, 3.0, 1.0)
    found = dead(scene.samples)
    assert {f.mic for f in found} == {SUBJECT}
    assert found[0].start_s == pytest.approx(dies / RATE_HZ, abs=2.5)
    assert found[-1].end_s == pytest.approx(len(scene.samples) / RATE_HZ)


@pytest.mark.parametrize("from_share", [0.0, 0.35])
def test_a_hum_in_the_other_microphone_hides_no_death(from_share: float) -> None:
    """Below 100 Hz it is more than the voice above; so is wind, but not at all times."""
    scene = speech_scene.make(6, leak_db=-12.0)
    dies = round(0.3 * len(scene.samples))
    scene.samples[dies:, SUBJECT] = scene.noise[dies:, SUBJECT]
    time_s = np.arange(len(scene.samples)) / RATE_HZ
    hum = 0.2 * np.sin(2 * np.pi * 50 * time_s)
    hum[: round(from_share * len(hum))] = 0.0
    scene.samples[:, INTERVIEWER] += hum
    assert [f.mic for f in dead(scene.samples)] == [SUBJECT]


def test_a_few_words_that_a_microphone_lacks_are_enough() -> None:
    """Hardly anything is said after its death, and nothing rubs or blows."""
    scene = speech_scene.make(6, leak_db=-12.0)
    dies = round(0.3 * len(scene.samples))
    scene.samples[dies:, SUBJECT] = scene.noise[dies:, SUBJECT]
    spoken = (scene.voices + scene.noise)[:, INTERVIEWER].copy()
    start_s = next(s for who, s, _ in scene.spoken if who == INTERVIEWER and s * RATE_HZ > dies)
    scene.samples[dies:, INTERVIEWER] = scene.noise[dies:, INTERVIEWER]
    for number in range(2):
        part = slice(*(round((start_s + 1.2 * number + t) * RATE_HZ) for t in (0.1, 0.55)))
        scene.samples[part, INTERVIEWER] = spoken[part]
    assert [f.mic for f in dead(scene.samples)] == [SUBJECT]
