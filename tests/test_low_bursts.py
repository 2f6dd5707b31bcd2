"""What lifts the low end of one microphone: wind, a hand and a plug are told apart."""

import numpy as np
import pytest
from scipy.signal import butter, sosfilt
from speech_scene import RATE_HZ, SUBJECT, Scene, make
from test_sounds import gust, lay

from dualmic.take import check_take

Told = list[tuple[str, str | None, str]]


def told(scene: Scene, folder) -> Told:
    """Return kind, microphone and severity of what is said of wind, cloth and cracks."""
    record = check_take([scene.write(folder / "take.wav")])
    kinds = ("wind", "rustle", "click")
    return [(p.kind, p.mic, p.severity) for p in record.problems if p.kind in kinds]


def knocks(length_s: float, rms_dbfs: float, scratch_db: float = -4.0) -> np.ndarray:
    """Return a hand on a microphone: dull knocks of 60 to 150 Hz, and fingers that rub it."""
    rng = np.random.default_rng(21)
    count = round(length_s * RATE_HZ)
    time_s = np.arange(round(0.12 * RATE_HZ)) / RATE_HZ
    low = np.zeros(count)
    for at in np.arange(0, count - len(time_s), round(0.13 * RATE_HZ)):
        tone = np.sin(2 * np.pi * rng.uniform(60, 150) * time_s)
        low[at : at + len(time_s)] += rng.uniform(0.5, 1.2) * tone * np.exp(-time_s / 0.03)
    rub = sosfilt(
        butter(1, (200, 5000), "bandpass", fs=RATE_HZ, output="sos"), rng.normal(size=count)
    )
    rub *= np.interp(np.arange(count), np.linspace(0, count, 12), rng.gamma(1, 1, 12) + 0.3)
    sound = low / np.sqrt(np.mean(low**2))
    sound += rub / np.sqrt(np.mean(rub**2)) * 10 ** (scratch_db / 20)
    return sound / np.sqrt(np.mean(sound**2)) * 10 ** (rms_dbfs / 20)


def plug(peak_dbfs: float, contacts: int = 40, length_s: float = 0.25) -> np.ndarray:
    """Return a plug that makes and breaks contact: steps, as far as the input passes them."""
    rng = np.random.default_rng(6)
    count = round(length_s * RATE_HZ)
    level = np.zeros(count)
    for at in np.sort(rng.integers(0, count, contacts)):
        level[at:] = rng.uniform(-1, 1)
    sound = sosfilt(butter(1, 20, "high", fs=RATE_HZ, output="sos"), level)
    return sound / np.abs(sound).max() * 10 ** (peak_dbfs / 20)


@pytest.mark.parametrize(("length_s", "rms_dbfs"), [(1.2, -18), (2.0, -16)])
def test_a_hand_that_knocks_and_rubs_is_no_wind(tmp_path, length_s: float, rms_dbfs: float) -> None:
    scene = make(2)
    lay(scene, (SUBJECT,), scene.answers()[0][0] + 0.5, knocks(length_s, rms_dbfs))
    found = told(scene, tmp_path)
    assert ("rustle", "subject", "warn") in found
    assert {kind for kind, _, _ in found} == {"rustle"}


def test_a_gust_that_falls_steeply_stays_wind_though_words_are_in_it(tmp_path) -> None:
    scene = make(2)
    blow = gust(2.0, -14)
    blow *= np.hanning(len(blow)) ** 0.25  # a hard edge would crack
    lay(scene, (SUBJECT,), scene.answers()[0][0] + 0.5, blow)
    assert told(scene, tmp_path) == [("wind", "subject", "warn")]


@pytest.mark.parametrize("after_s", [0.6, -0.6], ids=["under words", "in a pause"])
@pytest.mark.parametrize("contacts", [40, 60, 120])
def test_a_plug_that_cracks_is_no_wind(tmp_path, contacts: int, after_s: float) -> None:
    """Its steps reach down to where wind is; that bears out cracks that hardly stand out."""
    scene = make(2)
    dull = sosfilt(butter(1, 1000, fs=RATE_HZ, output="sos"), plug(-3, contacts))
    lay(scene, (SUBJECT,), scene.answers()[0][0] + after_s, dull)
    found = told(scene, tmp_path)
    assert ("click", "subject", "warn") in found
    assert "wind" not in {kind for kind, _, _ in found}


@pytest.mark.parametrize("after_s", [0.6, -0.6], ids=["under words", "in a pause"])
def test_what_lacks_all_of_its_leak_is_told_though_it_is_not_flat(tmp_path, after_s: float) -> None:
    """So many contacts are no single cracks, and their noise falls as a vowel's does."""
    scene = make(2)
    lay(scene, (SUBJECT,), scene.answers()[0][0] + after_s, plug(-3, 300))
    assert ("rustle", "subject", "warn") in told(scene, tmp_path)


def contact_noise(peak_dbfs: float, corner_hz: float) -> np.ndarray:
    """Return a quarter of a second of a bad contact: noise that falls by 6 dB an octave."""
    count = round(0.25 * RATE_HZ)
    noise = np.random.default_rng(2).standard_normal(count)
    sound = sosfilt(butter(1, corner_hz, fs=RATE_HZ, output="sos"), noise)
    sound = sosfilt(butter(1, 15, "high", fs=RATE_HZ, output="sos"), sound)
    edge = round(0.02 * RATE_HZ)
    sound[:edge] *= np.linspace(0, 1, edge)
    sound[-edge:] *= np.linspace(1, 0, edge)
    return sound / np.abs(sound).max() * 10 ** (peak_dbfs / 20)


@pytest.mark.parametrize(("corner_hz", "kind"), [(80, "click"), (40, "wind")])
def test_a_short_burst_that_reaches_up_unheard_there_is_a_crack(
    tmp_path, corner_hz: float, kind: str
) -> None:
    """Nothing in it stands out by itself; one that is low alone may be a puff."""
    scene = make(2)
    lay(scene, (SUBJECT,), scene.answers()[0][0] + 0.6, contact_noise(-3, corner_hz))
    assert told(scene, tmp_path) == [(kind, "subject", "warn")]
