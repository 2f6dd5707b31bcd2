"""Gates that shut a microphone down to its link's hiss, and what their pauses are not."""

import numpy as np
import pytest
import speech_scene
from speech_scene import INTERVIEWER, RATE_HZ, SUBJECT, Scene

from dualmic.findings import Limits, all_findings
from dualmic.findings.base import Finding
from dualmic.hearing import Hearing, hear
from dualmic.measure import Measured, measure
from dualmic.meters.gates import without_gates

CELL = RATE_HZ // 100
ROOM_DBFS, HISS_DBFS = -58.0, -84.0


def gated(hold_s: float = 0.5, *, leak_db: float = -18.0, breath: bool = False) -> Scene:
    """Two packs whose gates stay open for ``hold_s`` after words and shut within 20 ms.

    With ``breath`` the subject breathes half a second before each answer, which opens that gate.
    """
    scene = speech_scene.make(8, noise_dbfs=ROOM_DBFS, leak_db=leak_db, gap_s=2.5)
    rng = np.random.default_rng(11)
    if breath:
        for start_s, _ in scene.answers():
            sound = rng.normal(0, 10 ** (-40 / 20), round(0.3 * RATE_HZ))
            at = round((start_s - 0.5) * RATE_HZ)
            scene.samples[at : at + len(sound), SUBJECT] += sound * np.hanning(len(sound))
    for mic in (INTERVIEWER, SUBJECT):
        cells = scene.samples[: len(scene.samples) // CELL * CELL, mic].reshape(-1, CELL)
        loud = (cells**2).mean(axis=1) > 10 ** ((ROOM_DBFS + 8) / 10)
        held = np.convolve(loud, np.ones(round(hold_s * 100)))[: len(loud)] > 0
        gain = np.interp(np.arange(len(scene.samples)) / CELL, np.arange(len(held)), held)
        hiss = rng.normal(0, 10 ** (HISS_DBFS / 20), len(scene.samples))
        scene.samples[:, mic] = scene.samples[:, mic] * gain + hiss
    return scene


def measured(samples: np.ndarray) -> Measured:
    return measure([samples.astype(np.float32)], RATE_HZ, 2, bit_depth=24)


def problems(hearing: Hearing) -> list[Finding]:
    return [f for f in all_findings(hearing, Limits(), (0, 1)) if f.severity != "note"]


def test_a_gate_is_shut_in_pauses_and_the_room_is_put_in_its_place() -> None:
    scene = gated()
    bands_db = measured(scene.samples).spectra.bands_db
    opened, gates = without_gates(bands_db)
    shut = gates.shut
    for who, _, end_s in scene.spoken:
        words = scene.voices[: shut.shape[1] * CELL, who].reshape(-1, CELL)
        assert not shut[who, (words**2).mean(axis=1) > 10 ** ((ROOM_DBFS + 8) / 10)].any()
        assert shut[who, round(end_s * 100) + 90 : round(end_s * 100) + 200].mean() > 0.8
    total_db = 10 * np.log10((10 ** (opened.astype(float) / 10)).sum(axis=2))
    # White noise of -58 dBFS; the bands reach from 100 Hz to 7.5 kHz of 24 kHz.
    assert np.median(total_db[shut]) == pytest.approx(ROOM_DBFS - 10 * np.log10(24 / 7.4), abs=1.0)
    assert (opened == bands_db)[~shut].all()


def test_without_a_gate_nothing_is_changed() -> None:
    bands_db = measured(
        speech_scene.make(8, noise_dbfs=ROOM_DBFS, gap_s=2.5).samples
    ).spectra.bands_db
    opened, gates = without_gates(bands_db)
    assert opened is bands_db
    assert not gates.shut.any()


@pytest.mark.parametrize("leak_db", [-18.0, -45.0])
@pytest.mark.parametrize("breath", [False, True])
def test_a_gated_take_has_no_problem(leak_db: float, breath: bool) -> None:
    """The room comes and goes, leaks are missing, a breath is in one microphone alone."""
    scene = gated(leak_db=leak_db, breath=breath)
    assert problems(hear(measured(scene.samples))) == []


@pytest.mark.parametrize("hold_s", [0.4, 1.2])
def test_the_noise_floor_of_a_gated_microphone_is_the_rooms(hold_s: float) -> None:
    """Heard for moments only: pauses begin 0.3 s after words, and the gate shuts soon after."""
    hearing = hear(measured(gated(hold_s).samples))
    for floor in hearing.floors:
        assert floor is not None
        assert floor.dbfs == pytest.approx(ROOM_DBFS - 10 * np.log10(24 / 19.98), abs=0.5)


def course(pauses: list[tuple[bool, bool]]) -> np.ndarray:
    """Return band levels of words and pauses of 2.5 s, at the end of which it is quiet.

    Of each pause: whether the room is heard before that, and whether words end it or the room.
    """
    rng = np.random.default_rng(2)
    parts = [rng.uniform(-45, -25, 300)]
    for room_before, words_after in pauses:
        parts.append(np.full(60, -58.0) if room_before else np.linspace(-40, -82, 60))
        parts.append(np.linspace(-58 if room_before else -82, -82, 4))
        parts.append(np.full(180, -82.0))
        parts.append(np.full(0 if words_after else 80, -58.0))
        parts.append(rng.uniform(-45, -25, 300))
    level_db = np.concatenate(parts) + rng.normal(0, 0.5, sum(map(len, parts)))
    return np.tile(level_db[None, :, None], (2, 1, 6)).astype(np.float16)


@pytest.mark.parametrize(
    ("pauses", "has_gate"),
    [
        ([(True, True)] * 6, True),
        ([(True, False)] * 6, False),  # machines that stop and start between words
        ([(True, True)] * 4 + [(False, True)] * 6, False),  # words mostly die away to the same
        ([(True, True)] * 3, False),  # chance
    ],
)
def test_a_gate_shuts_on_the_room_and_opens_with_words(
    pauses: list[tuple[bool, bool]], has_gate: bool
) -> None:
    _, gates = without_gates(course(pauses))
    assert gates.shut.any() == has_gate


def test_a_gain_that_comes_up_in_pauses_is_no_gate() -> None:
    """It is down just after words, and the room comes up from there."""
    scene = speech_scene.make(8, noise_dbfs=ROOM_DBFS, gap_s=2.5)
    for who, _, end_s in scene.spoken:
        rises = slice(round(end_s * RATE_HZ), round((end_s + 2.5) * RATE_HZ))
        gain_db = np.minimum(np.arange(rises.stop - rises.start) / RATE_HZ * 8, 14)
        part = scene.samples[rises, who]
        part *= 10 ** (gain_db[: len(part)] / 20)
    _, gates = without_gates(measured(scene.samples).spectra.bands_db)
    assert not gates.shut.any()
