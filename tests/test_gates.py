"""Pauses of digital silence: noise gates, packs that mute themselves, noise under the last bit."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
import speech_scene
from scipy.ndimage import uniform_filter1d
from speech_scene import INTERVIEWER, RATE_HZ, SUBJECT, Scene

from dualmic.findings import Limits, all_findings
from dualmic.findings.base import Finding
from dualmic.findings.dropouts import speaks_before
from dualmic.hearing import hear
from dualmic.measure import measure

CELL = RATE_HZ // 100


def problems(samples: np.ndarray, *kinds: str) -> list[Finding]:
    measured = measure([samples.astype(np.float32)], RATE_HZ, 2, bit_depth=24)
    found = all_findings(hear(measured), Limits(), (0, 1))
    return [f for f in found if f.kind in kinds and f.severity != "note"]


def gated(scene: Scene, mics: tuple[int, ...], hold_s: float) -> np.ndarray:
    """Mute what stays 10 dB over the background or less for ``hold_s``."""
    samples = scene.samples.copy()
    for mic in mics:
        cells = samples[: len(samples) // CELL * CELL, mic].reshape(-1, CELL)
        loud = (cells**2).mean(axis=1) > 10 * scene.noise[:, mic].var()
        held = np.convolve(loud, np.ones(round(hold_s * 100)))[: len(loud)] > 0
        samples[: len(held) * CELL, mic] *= np.repeat(held, CELL)
        samples[len(held) * CELL :, mic] = 0
    return samples


def whole_words(scene: Scene) -> np.ndarray:
    """Fade what the words come from: those recordings begin and end with their own background."""
    inside = (scene.voices != 0).any(axis=1)
    edge = round(0.2 * RATE_HZ)
    near = uniform_filter1d(inside.astype(float), edge, mode="constant")
    fade = np.clip(2 * near - 1, 0, 1) ** 4
    faded: np.ndarray = scene.samples * fade[:, None] + scene.noise * (1 - fade)[:, None]
    return faded


@pytest.mark.parametrize("hold_s", [0.08, 0.3])
@pytest.mark.parametrize("mics", [(SUBJECT,), (INTERVIEWER, SUBJECT)])
def test_a_gate_loses_no_sound_and_kills_no_microphone(
    mics: tuple[int, ...], hold_s: float
) -> None:
    samples = gated(speech_scene.make(4, noise_dbfs=-62.0), mics, hold_s)
    assert problems(samples, "dropout", "mic_dead") == []


@pytest.mark.parametrize("lost", [False, True])
def test_a_gate_that_closes_on_the_noise_of_a_loud_place_loses_no_sound(lost: bool) -> None:
    """It opens but thrice, too seldom to tell its threshold from; a word torn off is still lost."""
    scene = speech_scene.make(3, noise_dbfs=-46.0)
    samples = scene.samples.copy()
    questions = [said for said in scene.spoken if said[0] == INTERVIEWER]
    opened = np.zeros(len(samples), bool)
    for _, start_s, end_s in questions:
        opened[round((start_s - 0.1) * RATE_HZ) : round((end_s + 0.25) * RATE_HZ)] = True
    samples[~opened, INTERVIEWER] = 0
    _, start_s, end_s = questions[1]
    if lost:
        inside = scene.voices[round(start_s * RATE_HZ) : round(end_s * RATE_HZ), INTERVIEWER]
        at = round(start_s * RATE_HZ) + int(np.abs(inside).argmax())
        samples[at : at + round(0.2 * RATE_HZ), INTERVIEWER] = 0
    found = problems(samples, "dropout", "mic_dead")
    assert [f.mic for f in found] == [INTERVIEWER] * lost
    assert all(start_s < f.start_s and f.end_s < end_s for f in found)


def test_a_gate_that_closes_on_the_other_persons_words_loses_no_sound() -> None:
    """The answer begins while the gate of the interviewer's microphone is still open."""
    scene = speech_scene.make(4, noise_dbfs=-62.0, leak_db=-8.0)
    samples = scene.samples.copy()
    opened = np.zeros(len(samples), bool)
    for who, start_s, end_s in scene.spoken:
        if who == INTERVIEWER:
            opened[round((start_s - 0.1) * RATE_HZ) : round((end_s + 0.25) * RATE_HZ)] = True
    start_s, end_s = scene.answers()[1]
    inside = scene.voices[round(start_s * RATE_HZ) : round(end_s * RATE_HZ), SUBJECT]
    loud = round(start_s * RATE_HZ) + int(np.abs(inside).argmax())
    opened[round((start_s - 0.5) * RATE_HZ) : loud] = True
    samples[~opened, INTERVIEWER] = 0
    assert problems(samples, "dropout", "mic_dead") == []


@pytest.mark.parametrize(("other", "before"), [(False, True), (True, False)])
def test_a_gate_tears_off_only_what_its_wearer_alone_was_saying(other: bool, before: bool) -> None:
    """A question that seems to last while the answer begins is held open by the answer's leak."""
    hearing = hear(measure([speech_scene.make(2).samples.astype(np.float32)], RATE_HZ, 2))
    own = np.zeros_like(hearing.activity.own)
    own[INTERVIEWER, 100:200] = True
    own[SUBJECT, 180:300] = other
    hearing = replace(hearing, activity=replace(hearing.activity, own=own))
    assert speaks_before(hearing, INTERVIEWER, 200) == before
    assert not speaks_before(hearing, INTERVIEWER, 230)


def test_sound_lost_inside_a_gated_word_is_still_lost() -> None:
    scene = speech_scene.make(4, noise_dbfs=-62.0)
    samples = gated(scene, (INTERVIEWER, SUBJECT), 0.15)
    voice = scene.voices[:, SUBJECT]
    start_s, end_s = scene.answers()[1]
    part = voice[round(start_s * RATE_HZ) : round(end_s * RATE_HZ)]
    at_s = start_s + float(np.abs(part).argmax()) / RATE_HZ
    samples[round(at_s * RATE_HZ) : round((at_s + 0.12) * RATE_HZ), SUBJECT] = 0
    (found,) = problems(samples, "dropout")
    assert found.mic == SUBJECT
    assert abs(found.start_s - at_s) < 0.05
    assert abs(found.end_s - at_s - 0.12) < 0.05


def test_a_gate_beside_an_offset_loses_no_sound() -> None:
    """Its silences hold the converter's offset, not zero."""
    samples = gated(speech_scene.make(4, noise_dbfs=-62.0), (INTERVIEWER, SUBJECT), 0.08) + 0.003
    assert problems(samples, "dropout", "mic_dead") == []


@pytest.mark.parametrize("noise_dbfs", [-105.0, -110.0])
def test_noise_under_the_last_bit_is_no_lost_sound(noise_dbfs: float) -> None:
    samples = whole_words(speech_scene.make(3, noise_dbfs=noise_dbfs))
    assert problems(np.round(samples * 2**15) / 2**15, "dropout", "mic_dead") == []


@pytest.mark.parametrize("peak_dbfs", [-25.0, -35.0, -45.0])
@pytest.mark.parametrize("to_whole", [np.round, np.floor])
def test_quiet_speech_of_16_bits_dies_away_and_loses_nothing(
    peak_dbfs: float, to_whole: Callable[[np.ndarray], np.ndarray]
) -> None:
    scene = speech_scene.make(4, noise_dbfs=-80.0)
    samples = whole_words(scene) * 10 ** (peak_dbfs / 20) / np.abs(scene.samples).max()
    samples = to_whole(samples * 2**15) / 2**15
    assert problems(samples, "dropout", "mic_dead") == []
    # Nor does what is lost there hide among all that silence.
    start_s, end_s = scene.answers()[1]
    part = scene.voices[round(start_s * RATE_HZ) : round(end_s * RATE_HZ), SUBJECT]
    at = round(start_s * RATE_HZ) + int(np.abs(part).argmax())
    samples[at : at + round(0.2 * RATE_HZ), SUBJECT] = 0
    (found,) = problems(samples, "dropout")
    assert found.mic == SUBJECT
    assert abs(found.start_s - at / RATE_HZ) < 0.05


def test_a_fade_into_silence_as_of_an_edit_is_no_lost_sound() -> None:
    scene = speech_scene.make(4, noise_dbfs=-62.0)
    samples = gated(scene, (INTERVIEWER, SUBJECT), 0.15)
    start_s, end_s = scene.answers()[1]
    loud = np.abs(scene.voices[round(start_s * RATE_HZ) : round(end_s * RATE_HZ), SUBJECT])
    at = round(start_s * RATE_HZ) + int(loud.argmax())
    fade = round(0.005 * RATE_HZ)
    samples[at - fade : at, SUBJECT] *= np.linspace(1, 0, fade)
    samples[at : at + round(0.2 * RATE_HZ), SUBJECT] = 0
    assert problems(samples, "dropout") == []


@pytest.mark.parametrize("talks", [False, True])
def test_a_muting_pack_is_dead_only_if_its_wearer_talks(talks: bool) -> None:
    """The interviewer's pack opens for three questions; answers fill the rest of the take."""
    scene = speech_scene.make(7)
    asked = [span for who, *span in scene.spoken if who == INTERVIEWER]
    opened = np.zeros(len(scene.samples), bool)
    for number, (start_s, end_s) in enumerate(asked):
        part = slice(round((start_s - 0.1) * RATE_HZ), round((end_s + 0.2) * RATE_HZ))
        if number < 3:
            opened[part] = True
        elif not talks:
            scene.samples[part] = scene.noise[part]
    scene.samples[~opened, INTERVIEWER] = 0
    dead = problems(scene.samples, "mic_dead")
    assert [f.mic for f in dead] == ([INTERVIEWER] if talks else [])
