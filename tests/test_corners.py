"""Tops that were cut off and tilted afterwards, told by the corners at their ends."""

from pathlib import Path

import numpy as np
import pytest
import speech_scene
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal
from speech_scene import RATE_HZ, SUBJECT

from dualmic.meters.corners import LEAST_CELLS, WITHIN_CELLS, cornered, crowded
from dualmic.take import check_take


@pytest.mark.parametrize("order", [1, 2, 3])
@pytest.mark.parametrize(
    ("over_db", "subtype"), [(12.0, "PCM_16"), (12.0, "PCM_24"), (0.0, "PCM_24")]
)
def test_words_cut_before_a_low_cut_are_found(
    order: int, over_db: float, subtype: str, tmp_path: Path
) -> None:
    """One answer over a ceiling, then a Butterworth low cut at 80 Hz, 6 to 18 dB an octave."""
    scene = speech_scene.make(2)
    start_s, end_s = scene.answers()[0]
    part = slice(round(start_s * RATE_HZ), round(end_s * RATE_HZ))
    row = scene.samples[:, SUBJECT]
    ceiling = np.abs(row).max() * 1.2
    row[part] *= ceiling * 10 ** (over_db / 20) / np.abs(row[part]).max()
    low_cut = signal.butter(order, 80, "highpass", fs=RATE_HZ, output="sos")
    row[:] = 0.5 * signal.sosfilt(low_cut, np.clip(row, -ceiling, ceiling))
    record = check_take([scene.write(tmp_path / "take.wav", subtype)])
    found = [p for p in record.problems if p.kind == "clipping" and p.severity != "note"]
    assert bool(found) == (over_db > 0)
    assert all(
        (p.mic, p.start_s > start_s, p.end_s < end_s) == ("subject", True, True) for p in found
    )


@given(
    loud=st.floats(0.06, 100.0),
    frequency_hz=st.floats(20.0, 8000.0),
    phase=st.floats(0.0, 6.28),
    noise=st.floats(0.0, 0.1),
)
def test_smooth_waves_have_no_corners(
    loud: float, frequency_hz: float, phase: float, noise: float
) -> None:
    at_s = np.arange(480) / RATE_HZ
    wave = np.sin(2 * np.pi * frequency_hz * at_s + phase)
    wave += noise * np.sin(2 * np.pi * 3.1 * frequency_hz * at_s)
    assert not cornered((loud * wave).astype(np.float32)[None], loud, RATE_HZ).any()


@pytest.mark.parametrize("rate_hz", [16_000, 44_100, 48_000, 96_000])
@pytest.mark.parametrize("slope_per_s", [0.0, -200.0])
def test_a_cut_sine_has_as_many_corners_as_it_has_tops(rate_hz: int, slope_per_s: float) -> None:
    """A sine of 300 Hz cut at 0.8 is flat for 0.68 ms of each half wave: two times acos(0.8)."""
    at_s = np.arange(rate_hz // 100) / rate_hz
    phase = 2 * np.pi * 300 * at_s + 0.4
    wave = np.clip(np.sin(phase), -0.8, 0.8)
    since_s = (phase % np.pi - np.arcsin(0.8)) / (2 * np.pi * 300)
    held = np.abs(np.sin(phase)) > 0.8
    wave[held] *= 1 + slope_per_s * since_s[held]  # a low cut tilts what is flat
    (frames,) = cornered(wave.astype(np.float32)[None], 0.8, rate_hz)
    flat_s = 6 * 2 * np.arccos(0.8) / (2 * np.pi * 300)
    assert frames / rate_hz == pytest.approx(flat_s, rel=0.35)


def test_few_corners_far_apart_are_chance() -> None:
    cells = 10 * WITHIN_CELLS
    alone = np.zeros(cells, np.int64)
    alone[:: WITHIN_CELLS // 2] = 7
    assert not crowded(alone).any()
    near = [*range(3000, 3000 + 10 * LEAST_CELLS, 10), 3500]
    alone[3000 : 3000 + 10 * LEAST_CELLS : 10] = 7
    assert np.flatnonzero(crowded(alone)).tolist() == near


@pytest.mark.parametrize(("level_dbfs", "bits"), [(-48.0, 12), (-25.0, 12), (-20.0, 14)])
def test_the_steps_of_a_coarse_converter_are_no_corners(level_dbfs: float, bits: int) -> None:
    """A minute of open speech, in as many bits as it was converted with."""
    row = speech_scene.make(4).voices[: 63 * RATE_HZ, SUBJECT]
    row = row * 10 ** (level_dbfs / 20) / np.abs(row).max()
    coarse = np.round(row * 2 ** (bits - 1)) / 2 ** (bits - 1)
    waves = coarse.astype(np.float32).reshape(-1, RATE_HZ // 100)
    loud = float(np.sort(np.abs(waves).max(axis=1))[-50])  # as loud as half a second reaches
    frames = cornered(waves, loud, RATE_HZ)
    assert not crowded(frames).any()
