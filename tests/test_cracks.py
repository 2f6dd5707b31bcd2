"""Cracks that are hard to tell: plugs that touch more than once, and what a mouth may have done."""

import numpy as np
import pytest
from scipy.signal import butter, sosfilt
from speech_scene import INTERVIEWER, RATE_HZ, SUBJECT, make
from test_sounds import lay, problems

from dualmic.cracking import _surely, _surely_slow
from dualmic.meters.transients import Transient, TransientMeter
from dualmic.tiles import spans

BRIGHT = 1e-4  # second differences of the voice's brightest moments


def edge(over_db: float, brighter_db: float, other_over_db: float) -> Transient:
    power = BRIGHT * 10 ** (brighter_db / 10)
    return Transient(SUBJECT, 3.0, power, over_db, 1e-7, other_over_db, bright_power=BRIGHT)


def plug(contacts_ms: tuple[float, ...], peak: float) -> np.ndarray:
    """Return steps that die within a millisecond, each a third larger than the one before."""
    sound = np.zeros(round(0.03 * RATE_HZ))
    for number, at_ms in enumerate(contacts_ms):
        start = round(at_ms / 1000 * RATE_HZ)
        time_s = np.arange(len(sound) - start) / RATE_HZ
        sound[start:] += (4 / 3) ** number * np.exp(-time_s / 0.001) * (-1) ** number
    return peak * sound / np.abs(sound).max()


@pytest.mark.parametrize("contacts_ms", [(0.0,), (0.0, 4.0), (0.0, 3.0, 7.0)])
def test_a_plug_that_makes_contact_several_times_is_one_crack(tmp_path, contacts_ms) -> None:
    """Later contacts are louder than the first, and lie where a crack should be over."""
    scene = make(4)
    start_s, end_s = scene.answers()[0]
    at_s = (start_s + end_s) / 2
    lay(scene, (SUBJECT,), at_s, plug(contacts_ms, 0.5))
    (found,) = problems(scene, tmp_path, "click")
    assert (found.severity, found.mic, found.count) == ("warn", "subject", 1)
    assert abs(found.start_s - at_s) < 0.01


@pytest.mark.parametrize(("length_s", "found"), [(0.004, 1), (0.007, 1), (0.009, 1), (0.014, 0)])
def test_a_burst_of_even_noise_is_a_crack_if_it_is_over_within_ten_milliseconds(
    tmp_path, length_s, found
) -> None:
    """As a wireless link makes: nothing says which of its milliseconds is the loudest."""
    for seed in range(3):
        scene = make(2)
        start_s, end_s = scene.answers()[0]
        at_s = (start_s + end_s) / 2
        noise = np.random.default_rng(seed).normal(0, 0.15, round(length_s * RATE_HZ))
        lay(scene, (SUBJECT,), at_s, np.clip(noise, -0.3, 0.3))
        told = problems(scene, tmp_path, "click")
        assert [(p.severity, p.mic) for p in told] == [("warn", "subject")] * found
        assert all(abs(p.start_s - at_s) < 0.05 for p in told)


def test_a_crack_that_is_loudest_after_a_millisecond_and_a_half_is_kept() -> None:
    """Its levels every half a millisecond are those of a plug that was pushed home."""
    levels_db = [-21, -27, -21, -18, -29, -30, -33, -40, -40, -41, -42, -50, -50, -51, -59, -64]
    course = np.repeat(10 ** (np.array(levels_db) / 20), RATE_HZ // 2000)
    rng = np.random.default_rng(7)
    samples = rng.normal(0, 10 ** (-70 / 20), (2, RATE_HZ)).astype(np.float32)
    samples[SUBJECT, 24018 : 24018 + len(course)] += course * rng.uniform(-1, 1, len(course))
    meter = TransientMeter(RATE_HZ)
    for span in spans([samples.T], RATE_HZ):
        meter.push(span)
    in_band = [short for short in meter.result() if short.bright_power is None]
    assert [round(short.at_s, 2) for short in in_band] == [0.5]
    assert in_band[0].over_db > 15


@pytest.mark.parametrize(
    ("over_db", "brighter_db", "other_over_db", "missing_db", "sure"),
    [
        (14.0, 5.0, 0.0, 3.0, True),
        (14.0, 5.0, 3.0, 3.0, False),  # it leaks, maybe
        (14.0, 5.0, 3.0, 12.0, True),  # not as a voice does
        (14.0, 5.0, 6.0, 12.0, False),  # it stands out there: a head may keep so much
        (14.0, 5.0, 6.0, 15.0, True),
        (12.0, 9.0, 0.0, 7.0, True),  # of what is much brighter, less need be missing
        (12.0, 1.0, 0.0, 7.0, None),
        (9.5, 15.0, 0.0, 11.0, True),  # as bright as no voice
        (9.5, 12.0, 0.0, 11.0, None),
        (30.0, -3.0, 0.0, 0.0, False),  # two samples hold little
        (20.0, -3.0, 0.0, 0.0, None),
        (30.0, -12.0, 0.0, 0.0, None),
        (14.0, 10.8, 1.0, -17.0, False),  # its leak would lie far under what is there: a "d" may be
        (14.0, 14.8, 1.0, -17.0, True),
    ],
)
def test_what_is_bright_may_leak(over_db, brighter_db, other_over_db, missing_db, sure) -> None:
    short = edge(over_db, brighter_db, other_over_db)
    assert _surely(short, -34.0, missing_db, alone=False) is sure


@pytest.mark.parametrize(("other_over_db", "sure"), [(0.0, True), (3.0, False)])
def test_what_dies_slowly_and_may_leak_is_no_sure_crack(other_over_db, sure) -> None:
    short = Transient(SUBJECT, 3.0, 1e-3, 0.0, 1e-6, other_over_db, slow_over_db=18.0)
    assert bool(_surely_slow(short, -24.0, 7.0)) is sure


def test_several_contacts_whose_leak_proves_nothing_may_be_a_crack() -> None:
    """May be: told in pauses, and there as a note."""
    short = Transient(SUBJECT, 3.0, 1e-3, 0.0, 1e-6, 0.0, contacts_over_db=24.0)
    assert _surely_slow(short, -24.0, 0.0) is False


@pytest.mark.parametrize(
    ("over_db", "unproven", "sure"),
    [(26.0, False, None), (28.0, False, True), (28.0, True, False)],
)
def test_a_faint_sound_is_a_crack_only_if_more_abrupt_than_breaths_are(
    over_db, unproven, sure
) -> None:
    """24 dB under the voice, the other microphone silent; sure only where voices leak there."""
    short = Transient(SUBJECT, 3.0, 10 ** (-58 / 10), over_db, 1e-9, 0.0)
    assert _surely(short, -34.0, 0.0, alone=False, unproven=unproven) is sure


def lips(level_dbfs: float) -> np.ndarray:
    """Return lips that part: a millisecond around 5 kHz in a breath that holds 24 dB less."""
    rng = np.random.default_rng(2)
    band = butter(2, (4000, 6000), "bandpass", fs=RATE_HZ, output="sos")
    breath = sosfilt(band, rng.standard_normal(round(0.08 * RATE_HZ)))
    shape = np.full(len(breath), 0.06)
    shape[len(breath) // 2 :][: round(0.001 * RATE_HZ)] = 1
    return breath * shape / breath.std() * 10 ** (level_dbfs / 20)


@pytest.mark.parametrize(("raised_db", "warned"), [(0.0, 1), (14.0, 0)])
def test_lips_part_louder_where_the_voice_is_raised(tmp_path, raised_db, warned) -> None:
    """Its leak lies under the other microphone's noise, so only the voice around it can tell."""
    scene = make(4, leak_db=-40.0)
    (start_s, end_s), *_ = scene.answers()
    loud = slice(round((start_s - 0.5) * RATE_HZ), round((end_s + 0.5) * RATE_HZ))
    scene.samples[loud, SUBJECT] *= 10 ** (raised_db / 20)
    lay(scene, (SUBJECT,), start_s + 2.9, lips(-27.0))
    assert len([p for p in problems(scene, tmp_path, "click") if p.severity == "warn"]) == warned


@pytest.mark.parametrize(("other_db", "told"), [(-45.0, True), (-20.0, False)])
def test_what_begins_elsewhere_in_the_same_millisecond_does_not_excuse_a_crack(
    tmp_path, other_db: float, told: bool
) -> None:
    """Its leak would be 14 dB down: what is far fainter in the other microphone is not its."""
    scene = make(4, noise_dbfs=-85.0)
    at_s = scene.answers()[0][1] + 0.6  # in a pause
    sound = plug((0.0,), 0.9)
    lay(scene, (SUBJECT,), at_s, sound)
    lay(scene, (INTERVIEWER,), at_s, 10 ** (other_db / 20) * sound)
    assert bool(problems(scene, tmp_path, "click")) == told


@pytest.mark.parametrize(("leaks", "found"), [(False, 1), (True, 0)])
def test_a_word_that_begins_in_the_other_microphone_does_not_excuse_a_crack(
    tmp_path, leaks: bool, found: int
) -> None:
    """A hiss begins there 15 ms later, as loud in its band as the leak of a sample that jumps."""
    scene = make(4, noise_dbfs=-85.0, leak_db=-14.0)
    at_s = scene.answers()[0][1] + 0.6  # in a pause
    band = butter(4, (4000, 5000), "bandpass", fs=RATE_HZ, output="sos")
    hiss = sosfilt(band, np.random.default_rng(6).standard_normal(round(0.25 * RATE_HZ)))
    hiss *= 10 ** (-54 / 20) / hiss.std()
    hiss *= 0.3 + 3.0 * np.exp(-np.arange(len(hiss)) / (0.001 * RATE_HZ))  # loudest at once
    lay(scene, (INTERVIEWER,), at_s + 0.015, hiss)
    sound = np.array([0.4, -0.4])
    lay(scene, (SUBJECT,), at_s, sound)
    if leaks:
        lay(scene, (INTERVIEWER,), at_s + 0.003, 0.1 * sound)
    assert [p.mic for p in problems(scene, tmp_path, "click")] == ["subject"] * found


@pytest.mark.parametrize(("over_db", "missing_db", "sure"), [
    (18.5, -20.0, False),
    (18.5, 5.0, False),
    (23.0, -20.0, True),
    (18.5, 8.0, True),
])  # fmt: skip
def test_where_no_leak_could_be_heard_a_mouth_may_have_made_it(over_db, missing_db, sure) -> None:
    """A "t" after silence is within 6 dB of the voice in the band and stands out by 18.5 dB."""
    short = Transient(SUBJECT, 3.0, 1e-4, over_db, 1e-7, 0.6)
    assert _surely(short, -34.0, missing_db, alone=False, unproven=missing_db < 0) is sure
