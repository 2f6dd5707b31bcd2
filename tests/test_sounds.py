"""Sounds that do not belong, laid onto real speech whose every level is known."""

import numpy as np
import pytest
import soundfile as sf
from scipy.ndimage import maximum_filter1d, uniform_filter1d
from scipy.signal import butter, sosfilt
from speech_scene import INTERVIEWER, RATE_HZ, SUBJECT, Scene, make

from dualmic.cracking import _surely
from dualmic.lock_keeper import mix
from dualmic.meters.transients import Transient
from dualmic.take import check_take


def problems(scene, folder, kind):
    """Return what is said of one kind about a scene."""
    record = check_take([scene.write(folder / "take.wav")])
    return [problem for problem in record.problems if problem.kind == kind]


def gust(length_s: float, level_dbfs: float) -> np.ndarray:
    """Return noise below 100 Hz whose strength changes five times a second."""
    rng = np.random.default_rng(3)
    count = round(length_s * RATE_HZ)
    spectrum = np.fft.rfft(rng.standard_normal(count))
    spectrum[np.fft.rfftfreq(count, 1 / RATE_HZ) > 90] = 0
    blow = np.interp(np.linspace(0, 1, count), np.linspace(0, 1, 11), rng.gamma(2.0, 1.0, 11) + 0.3)
    sound = np.fft.irfft(spectrum, count) * blow
    return sound / np.sqrt(np.mean(sound**2)) * 10 ** (level_dbfs / 20)


def cloth(length_s: float, level_dbfs: float) -> np.ndarray:
    """Return rubbing cloth: noise from 150 Hz to 7 kHz in quick strokes."""
    rng = np.random.default_rng(5)
    count = round(length_s * RATE_HZ)
    frequency_hz = np.fft.rfftfreq(count, 1 / RATE_HZ)
    spectrum = np.fft.rfft(rng.standard_normal(count)) / np.sqrt(np.maximum(frequency_hz, 150))
    spectrum[(frequency_hz < 100) | (frequency_hz > 7000)] = 0
    knots = rng.gamma(1.0, 1.0, max(4, round(length_s * 25))) + 0.3
    strokes = np.interp(np.linspace(0, 1, count), np.linspace(0, 1, len(knots)), knots)
    sound = np.fft.irfft(spectrum, count) * strokes
    return sound / np.sqrt(np.mean(sound**2)) * 10 ** (level_dbfs / 20)


def lay(scene: Scene, mics: tuple[int, ...], at_s: float, sound: np.ndarray) -> None:
    """Add a sound to microphones of a scene."""
    at = round(at_s * RATE_HZ)
    for mic in mics:
        scene.samples[at : at + len(sound), mic] += sound


@pytest.fixture
def scene() -> Scene:
    """Return two rounds of question and answer."""
    made = make(rounds=2)
    return Scene(made.samples.copy(), made.voices, made.noise, made.spoken)


def test_wind_in_one_microphone_is_found_where_it_blows(scene, tmp_path):
    start_s = scene.answers()[0][0] + 0.5
    lay(scene, (SUBJECT,), start_s, gust(2.0, -24))
    (found,) = problems(scene, tmp_path, "wind")
    assert (found.mic, found.severity) == ("subject", "warn")
    assert abs(found.start_s - start_s) < 0.25
    assert abs(found.end_s - start_s - 2.0) < 0.25


def test_one_plosive_is_no_wind(scene, tmp_path):
    lay(scene, (SUBJECT,), scene.answers()[0][0] + 0.5, gust(0.06, -20))
    assert problems(scene, tmp_path, "wind") == []


def knock(level_dbfs: float) -> np.ndarray:
    """Return a dull knock of 50 Hz whose highest swing has this level."""
    time_s = np.arange(round(0.15 * RATE_HZ)) / RATE_HZ
    return 10 ** (level_dbfs / 20) * np.sin(2 * np.pi * 50 * time_s) * np.exp(-time_s / 0.035)


def puff(level_dbfs: float) -> np.ndarray:
    """Return breath that pops: noise from 20 to 180 Hz, as high as a voice reaches down."""
    time_s = np.arange(round(0.15 * RATE_HZ)) / RATE_HZ
    low = butter(1, (20, 180), "bandpass", fs=RATE_HZ, output="sos")
    sound = sosfilt(low, np.random.default_rng(8).standard_normal(len(time_s)))
    sound *= np.exp(-time_s / 0.03)
    return sound / np.abs(sound).max() * 10 ** (level_dbfs / 20)


@pytest.mark.parametrize("blow", [knock(-14), puff(-8)], ids=["knocks", "puffs"])
@pytest.mark.parametrize(("count", "found"), [(2, 0), (5, 1)])
def test_blows_under_words_are_found_though_the_voice_holds_more(
    scene, tmp_path, blow, count, found
):
    """As on a stand or a table, or of breath; two may be plosives."""
    start_s = scene.answers()[0][0] + 0.3
    for number in range(count):
        lay(scene, (SUBJECT,), start_s + 0.45 * number, blow)
    told = problems(scene, tmp_path, "wind")
    assert [(p.mic, p.severity) for p in told] == [("subject", "warn")] * found
    for problem in told:
        assert abs(problem.start_s - start_s) < 0.25


def test_a_rumble_alike_in_both_microphones_is_at_most_a_note(scene, tmp_path):
    lay(scene, (0, 1), scene.answers()[0][0] + 0.5, gust(2.0, -24))
    assert {problem.severity for problem in problems(scene, tmp_path, "wind")} <= {"note"}


def test_a_hum_is_no_wind(scene, tmp_path):
    time_s = np.arange(6 * RATE_HZ) / RATE_HZ
    lay(scene, (SUBJECT,), 2.0, 0.05 * np.sin(2 * np.pi * 50 * time_s))
    assert problems(scene, tmp_path, "wind") == []


def crack(peak: float) -> np.ndarray:
    """Return a crack that is over in 3 ms."""
    time_s = np.arange(round(0.003 * RATE_HZ)) / RATE_HZ
    return peak * np.sin(2 * np.pi * 2500 * time_s + 1) * np.exp(-time_s / 0.0005)


def test_cracks_warn_in_speech_and_are_notes_in_pauses(scene, tmp_path):
    start_s, end_s = scene.answers()[0]
    lay(scene, (SUBJECT,), start_s + 1.0, crack(0.7))
    lay(scene, (SUBJECT,), end_s + 0.6, crack(0.3))
    found = sorted(problems(scene, tmp_path, "click"), key=lambda problem: problem.start_s)
    assert [(p.mic, p.severity) for p in found] == [("subject", "warn"), ("subject", "note")]
    for problem, true_s in zip(found, (start_s + 1.0, end_s + 0.6), strict=True):
        assert abs(problem.start_s - true_s) < 0.05
        assert abs(problem.end_s - true_s - 0.003) < 0.05


def test_a_clap_heard_in_both_microphones_is_no_crack(scene, tmp_path):
    lay(scene, (0, 1), 0.5, crack(0.8))
    assert problems(scene, tmp_path, "click") == []


def test_a_tap_that_leaks_as_the_voice_does_is_no_crack(tmp_path):
    """So sharp that it stands out in second differences, too, where noise hides its leak."""
    scene = make(rounds=2, noise_dbfs=-60.0)
    lay(scene, (SUBJECT,), 0.5, crack(0.1))
    assert len(problems(scene, tmp_path, "click")) == 1
    lay(scene, (INTERVIEWER,), 0.503, crack(0.1 * 10 ** (-14 / 20)))
    assert problems(scene, tmp_path, "click") == []


@pytest.mark.parametrize(
    ("other_over_db", "missing_db", "cracks"), [(5, 3, 0), (1, 3, 1), (5, 9, 1)]
)
def test_what_stands_out_and_leaks_as_a_voice_is_none(other_over_db, missing_db, cracks):
    """26 dB over its surroundings, and 6 dB under the voice."""
    short = Transient(SUBJECT, 3.0, 1e-4, 26.0, 1e-6, other_over_db)
    sure = _surely(short, -34.0, missing_db, alone=False)
    assert bool(sure) == bool(cracks)


@pytest.mark.parametrize(
    ("over_db", "missing_db", "alone", "brighter_db", "sure"),
    [
        (12.0, 11.0, False, 1.0, True),  # the leak it lacks proves it
        (12.0, 5.0, False, 1.0, None),
        (14.0, 0.0, False, 9.0, True),  # far brighter than any consonant
        (30.0, 0.0, True, 15.0, True),  # and abrupt, beside a dead microphone
        (20.0, 0.0, True, 15.0, None),
        (30.0, 0.0, True, 9.0, None),
    ],
)
def test_what_is_brighter_than_a_voice_is_a_crack(over_db, missing_db, alone, brighter_db, sure):
    """Brightness by second differences; -40 dBFS of them is the brightest of the voice."""
    power = 1e-4 * 10 ** (brighter_db / 10)
    short = Transient(SUBJECT, 3.0, power, over_db, 1e-7, 1.0, bright_power=1e-4)
    assert _surely(short, -34.0, missing_db, alone=alone) is sure


def contact(peak: float, fall_ms: float) -> np.ndarray:
    """Return what a bad contact makes: noise that falls by 4.3 dB in so many milliseconds."""
    time_ms = np.arange(round(0.012 * RATE_HZ)) / RATE_HZ * 1000
    noise = np.random.default_rng(6).uniform(-1, 1, len(time_ms))
    return peak * noise * np.exp(-time_ms / fall_ms / 2)


@pytest.mark.parametrize("leak_db", [-14.0, -24.0])
def test_a_crack_that_takes_ten_milliseconds_is_found(tmp_path, leak_db):
    scene = make(rounds=2, leak_db=leak_db)
    start_s, end_s = scene.answers()[0]
    lay(scene, (SUBJECT,), start_s + 1.0, contact(0.3, 2.0))
    lay(scene, (SUBJECT,), end_s + 0.6, contact(0.1, 2.0))
    found = sorted(problems(scene, tmp_path, "click"), key=lambda problem: problem.start_s)
    assert [(p.mic, p.severity) for p in found] == [("subject", "warn"), ("subject", "note")]
    for problem, true_s in zip(found, (start_s + 1.0, end_s + 0.6), strict=True):
        assert abs(problem.start_s - true_s) < 0.05


def test_a_cup_put_down_between_two_people_is_no_crack(tmp_path):
    """It dies away as slowly, and each microphone hears it."""
    scene = make(rounds=2)
    for at_s in (scene.answers()[0][0] + 1.0, scene.answers()[0][1] + 0.6):
        lay(scene, (SUBJECT,), at_s, contact(0.3, 2.0))
        lay(scene, (INTERVIEWER,), at_s + 0.003, contact(0.3 * 10 ** (-8 / 20), 2.0))
    assert problems(scene, tmp_path, "click") == []


def test_the_step_a_gain_makes_as_it_jumps_is_told_as_that(tmp_path):
    """Within a word it tears the wave from one sample to the next."""
    scene = make(rounds=4)
    start_s, end_s = scene.answers()[1]
    middle = round((start_s + end_s) / 2 * RATE_HZ)
    near = scene.samples[middle - RATE_HZ // 5 : middle + RATE_HZ // 5, SUBJECT]
    at = middle - RATE_HZ // 5 + int(np.argmax(np.abs(near)))
    scene.samples[at:, SUBJECT] *= 10 ** (-12 / 20)
    assert len(problems(scene, tmp_path, "level_jump")) == 1
    assert problems(scene, tmp_path, "click") == []


def test_a_mouth_noise_is_no_crack(scene, tmp_path):
    count = round(0.015 * RATE_HZ)
    lips = np.random.default_rng(2).standard_normal(count) * np.sin(np.linspace(0, np.pi, count))
    smack = 0.05 * lips * np.exp(-np.arange(count) / (0.004 * RATE_HZ))
    lay(scene, (SUBJECT,), 0.5, smack)
    assert problems(scene, tmp_path, "click") == []


def test_lips_parting_are_no_crack_where_noise_hides_their_leak(tmp_path):
    assert problems(make(leak_db=-20.0, noise_dbfs=-60.0), tmp_path, "click") == []


def test_one_sample_that_jumped_is_a_crack_under_a_loud_consonant(scene, tmp_path):
    """Laid on the brightest moment of an answer, where the band of voices is full."""
    start_s, end_s = scene.answers()[0]
    first, last = (round(at_s * RATE_HZ) for at_s in (start_s, end_s))
    bends = np.abs(np.diff(scene.samples[first:last, SUBJECT], 2))
    at_s = start_s + float(np.argmax(np.convolve(bends, np.ones(480), "valid")) + 240) / RATE_HZ
    lay(scene, (SUBJECT,), at_s, np.array([0.25]))
    (found,) = problems(scene, tmp_path, "click")
    assert (found.mic, found.severity) == ("subject", "warn")
    assert abs(found.start_s - at_s) < 0.05


def test_a_dull_voice_that_leaks_as_usual_does_not_crack(tmp_path):
    """As over a telephone: with no brightness above 3 kHz, a plosive is the brightest there is."""
    scene = make(noise_dbfs=-75.0)
    low = butter(8, 2200, fs=RATE_HZ, output="sos")
    scene.samples = sosfilt(low, scene.samples - scene.noise, axis=0) + scene.noise
    start_s, end_s = scene.answers()[0]
    ring = np.sin(2 * np.pi * 3400 / RATE_HZ * np.arange(240)) * np.exp(-np.arange(240) / 40)
    for at_s in np.linspace(start_s + 0.5, end_s - 0.5, 5):
        at = round(at_s * RATE_HZ)
        for mic, delay, gain in ((SUBJECT, 0, 1.0), (INTERVIEWER, 144, 10 ** (-14 / 20))):
            scene.samples[at + delay : at + delay + 240, mic] += 0.03 * gain * ring
    assert problems(scene, tmp_path, "click") == []


def test_a_faint_crack_in_a_pause_is_a_note(scene, tmp_path):
    """No mouth makes a sound that comes and goes so abruptly, however faint."""
    at_s = scene.answers()[0][1] + 0.6
    lay(scene, (SUBJECT,), at_s, crack(0.03))
    (found,) = problems(scene, tmp_path, "click")
    assert (found.mic, found.severity) == ("subject", "note")
    assert abs(found.start_s - at_s) < 0.05


def test_wind_that_runs_into_the_ceiling_clips_and_loses_no_sound(scene, tmp_path):
    """Its tops are flat for 5 ms and longer; a word torn off beside it is still lost."""
    start_s = scene.answers()[0][0] + 0.5
    lay(scene, (SUBJECT,), start_s, gust(2.0, -4.0))
    scene.samples = np.clip(scene.samples, -0.5, 0.5)
    assert problems(scene, tmp_path, "clipping") != []
    assert problems(scene, tmp_path, "dropout") == []
    at_s = scene.answers()[1][0] + 0.6
    scene.samples[round(at_s * RATE_HZ) : round((at_s + 0.05) * RATE_HZ), SUBJECT] = 0
    (found,) = problems(scene, tmp_path, "dropout")
    assert abs(found.start_s - at_s) < 0.05


def test_clipped_speech_does_not_crack_as_well(tmp_path):
    made = make(rounds=2)
    loud = np.clip(made.samples * 10 ** (16 / 20), -0.9, 0.9)
    assert problems(Scene(loud, made.voices, made.noise), tmp_path, "click") == []


def test_untouched_speech_has_none_of_these(tmp_path):
    path = tmp_path / "good.wav"
    sf.write(path, mix.mix_take(1).samples, mix.RATE_HZ, subtype="PCM_24")
    plain = make().write(tmp_path / "plain.wav")
    for record in (check_take([path]), check_take([plain])):
        assert [p for p in record.problems if p.kind in ("click", "wind", "rustle")] == []


def test_wind_and_cracks_in_pauses_are_no_noise_floor(scene, tmp_path):
    plain = check_take([scene.write(tmp_path / "plain.wav")]).mics["subject"]
    for _, end_s in scene.answers():
        lay(scene, (SUBJECT,), end_s + 0.5, crack(0.5))
    lay(scene, (SUBJECT,), 0.15, gust(0.6, -20))
    blown = check_take([scene.write(tmp_path / "blown.wav")]).mics["subject"]
    assert plain.noise_floor_dbfs is not None
    assert blown.noise_floor_dbfs == pytest.approx(plain.noise_floor_dbfs, abs=0.3)
    assert blown.noise_floor_dba == pytest.approx(plain.noise_floor_dba, abs=0.3)


@pytest.mark.parametrize(("after_start_s", "length_s"), [(1.0, 0.8), (-0.7, 0.3)])
def test_cloth_on_a_microphone_is_found_in_speech_and_pause(
    scene, tmp_path, after_start_s, length_s
):
    start_s = scene.answers()[0][0] + after_start_s
    lay(scene, (SUBJECT,), start_s, cloth(length_s, -24))
    (found,) = problems(scene, tmp_path, "rustle")
    assert (found.mic, found.severity) == ("subject", "warn")
    assert abs(found.start_s - start_s) < 0.25
    assert abs(found.end_s - start_s - length_s) < 0.25


def test_short_cloth_with_a_crack_in_it_is_still_cloth(scene, tmp_path):
    """A crack alone, averaged, looks like cloth for as long."""
    at_s = scene.answers()[0][1] + 0.5
    lay(scene, (SUBJECT,), at_s + 0.1, crack(0.3))
    assert problems(scene, tmp_path, "rustle") == []
    lay(scene, (SUBJECT,), at_s, cloth(0.19, -24))
    (found,) = problems(scene, tmp_path, "rustle")
    assert (found.mic, found.severity) == ("subject", "warn")


def test_soft_cloth_under_a_loud_vowel_is_told_by_its_length(scene, tmp_path):
    """4 dB under the voice: no syllable shows it, the whole of 0.8 s does."""
    at_s = scene.answers()[0][0] + 1.0
    lay(scene, (SUBJECT,), at_s, cloth(0.8, -30.0))
    (found,) = problems(scene, tmp_path, "rustle")
    assert (found.mic, found.severity) == ("subject", "warn")
    assert abs(found.start_s - at_s) < 0.25
    assert abs(found.end_s - at_s - 0.8) < 0.25


def rumble(frames: int, level_dbfs: float) -> np.ndarray:
    """Return the noise of a machine, below 500 Hz, its own in each microphone."""
    low = butter(4, 400, fs=RATE_HZ, output="sos")
    sound = sosfilt(low, np.random.default_rng(11).standard_normal((frames, 2)), axis=0)
    return sound / np.sqrt(np.mean(sound**2)) * 10 ** (level_dbfs / 20)


def test_short_cloth_in_a_pause_stands_out_between_a_machines_noise_and_hiss(tmp_path):
    """Two of six bands lie under the machine, and the leak of the rest at the hiss."""
    scene = make(rounds=2, noise_dbfs=-62.0)
    scene.samples = scene.samples + rumble(len(scene.samples), -40.0)
    start_s = scene.answers()[0][0] - 0.7
    lay(scene, (SUBJECT,), start_s, cloth(0.2, -42))
    (found,) = problems(scene, tmp_path, "rustle")
    assert found.mic == "subject"
    assert abs(found.start_s - start_s) < 0.25
    assert abs(found.end_s - start_s - 0.2) < 0.25


def test_a_breath_that_leaks_between_a_machines_noise_and_hiss_is_no_cloth(tmp_path):
    scene = make(rounds=2, noise_dbfs=-62.0)
    scene.samples = scene.samples + rumble(len(scene.samples), -40.0)
    start_s = scene.answers()[0][0] - 0.7
    breath = cloth(0.2, -42)
    lay(scene, (SUBJECT,), start_s, breath)
    lay(scene, (0,), start_s + 0.003, breath * 10 ** (-14 / 20))
    assert problems(scene, tmp_path, "rustle") == []


def test_a_noise_that_leaks_as_the_voice_does_is_no_cloth(scene, tmp_path):
    breath = cloth(0.4, -34)
    start_s = scene.answers()[0][0] - 0.6
    lay(scene, (SUBJECT,), start_s, breath)
    lay(scene, (0,), start_s + 0.003, breath * 10 ** (-14 / 20))
    assert problems(scene, tmp_path, "rustle") == []


@pytest.mark.parametrize(("steep", "found"), [(0, 1), (9, 0)])
def test_the_more_even_a_sound_the_less_of_its_leak_need_be_missing(scene, tmp_path, steep, found):
    """6 dB of the leak are missing: of cloth, and of a dull sound, as if somebody turned round."""
    sound = cloth(0.5, -24)
    spectrum = np.fft.rfft(sound)
    hz = np.fft.rfftfreq(len(sound), 1 / RATE_HZ)
    spectrum *= np.maximum(hz, 100) ** (-steep / 6.02) * 100 ** (steep / 6.02)
    dull = np.fft.irfft(spectrum, len(sound))
    dull *= np.sqrt(np.mean(sound**2) / np.mean(dull**2))
    start_s = scene.answers()[0][0] - 0.9
    lay(scene, (SUBJECT,), start_s, dull)
    lay(scene, (0,), start_s + 0.003, dull * 10 ** (-20.3 / 20))
    warned = [p for p in problems(scene, tmp_path, "rustle") if p.severity == "warn"]
    assert len(warned) == found


def test_a_breath_while_the_other_microphone_lost_its_sound_is_no_cloth(scene, tmp_path):
    breath_s = scene.answers()[0][0] - 0.6
    lay(scene, (SUBJECT,), breath_s, cloth(0.4, -34))
    start = round((breath_s - 0.2) * RATE_HZ)
    hiss = np.random.default_rng(1).normal(0, 1e-5, RATE_HZ)
    scene.samples[start : start + len(hiss), 0] = hiss
    assert problems(scene, tmp_path, "rustle") == []


def test_beside_a_dead_microphone_the_sounds_of_a_mouth_are_no_cracks(tmp_path) -> None:
    scene = make(6)
    noise = np.random.default_rng(7).normal(size=len(scene.samples))
    scene.samples[:, SUBJECT] = 1e-5 * noise  # its pack is off: -100 dBFS of hiss
    assert [p for p in problems(scene, tmp_path, "click") if p.severity != "note"] == []


def loud(scene: Scene, over_db: float) -> np.ndarray:
    """Return the scene with the subject's microphone this far over its own peak."""
    samples = scene.samples / np.abs(scene.samples[:, SUBJECT]).max()
    samples[:, 0] *= 0.05
    return samples * 10 ** (over_db / 20)


def test_tops_a_limiter_rounded_are_a_note(tmp_path):
    """A gain that looks 10 ms ahead keeps every word under half of full scale; none is flat."""
    samples = loud(make(4), 6.0)
    peak = maximum_filter1d(np.abs(samples[:, SUBJECT]), RATE_HZ // 50)
    samples[:, SUBJECT] *= uniform_filter1d(np.minimum(1, 0.5 / np.maximum(peak, 1e-9)), 480)
    sf.write(tmp_path / "take.wav", samples, RATE_HZ, subtype="PCM_24")
    (found,) = [p for p in check_take([tmp_path / "take.wav"]).problems if p.kind == "clipping"]
    assert (found.mic, found.severity, found.unit) == ("subject", "note", "dBFS")
    assert found.value == pytest.approx(20 * np.log10(0.5), abs=0.5)


def test_noise_round_an_offset_is_not_clipped(tmp_path):
    """By chance three samples of 16 bits are equal often enough, all of them near the offset."""
    scene = make(4, noise_dbfs=-65.0)
    scene.samples[:, SUBJECT] -= 0.05
    record = check_take([scene.write(tmp_path / "take.wav", "PCM_16")])
    assert [(p.kind, p.mic) for p in record.problems] == [("dc_offset", "subject")]


def test_loud_clean_speech_is_not_rounded(tmp_path):
    sf.write(tmp_path / "take.wav", loud(make(4), -0.5), RATE_HZ, subtype="PCM_24")
    assert [p for p in check_take([tmp_path / "take.wav"]).problems if p.kind == "clipping"] == []


def test_one_loud_sound_in_a_pause_is_no_loud_background(scene, tmp_path):
    """A door that both microphones hear: nine tenths of all pauses are as quiet as before."""
    at_s = scene.answers()[0][1] + 0.6
    slam = 0.1 * np.random.default_rng(4).standard_normal(round(0.05 * RATE_HZ))
    lay(scene, (0, 1), at_s, slam)
    warned = [p for p in problems(scene, tmp_path, "noise") if p.severity != "note"]
    assert warned == []
