"""Every published value that exists, read through the code that checks a take.

One test a reference signal: its rows carry the expected value, the tolerance and the source, and
the assertion's message names all three.
"""

from functools import lru_cache
from itertools import groupby
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.signal import resample_poly

from dualmic.meters.loudness import LoudnessMeter, integrated_lufs, programme_cells, range_lu
from dualmic.meters.peaks import TruePeakMeter
from dualmic.prove import run_proof
from dualmic.tiles import spans
from reference_signals import Row, all_rows

r128 = pytest.importorskip("pyebur128", reason="no wheel of pyebur128 here")

SIGNALS = [list(rows) for _, rows in groupby(all_rows(), key=lambda row: row.signal.name)]


@pytest.mark.parametrize("rows", SIGNALS, ids=lambda rows: rows[0].signal.name)
def test_a_reference_signal_reads_what_its_source_says(rows: list[Row]) -> None:
    for reading in run_proof(rows, second_opinion=False):
        assert reading.passed, (
            f"{reading.quantity} of {reading.made}: {reading.read} {reading.unit}, expected "
            f"{reading.expected} +{reading.plus}/-{reading.minus} ({reading.source})"
        )


# ITU-R BS.1770-5 annex 2: at least four-fold oversampling. Attachment 1 to annex 2: a sine at
# frequency f (re the sample rate), n-fold oversampled, under-reads by at most
# 20 log10 cos(pi f / n).
@pytest.mark.parametrize("frequency", [0.05, 0.125, 0.2, 0.25, 0.31, 0.375, 0.42, 0.45])
@pytest.mark.parametrize("phase", [0.0, 0.4, 0.8, 1.2])
def test_a_sine_never_under_reads_more_than_fourfold_oversampling_may(frequency, phase) -> None:
    rate = 48000
    time = np.arange(rate)
    fade = np.clip(np.minimum(time, time[::-1]) / 4800, 0, 1)
    sine = (fade * np.sin(2 * np.pi * frequency * time + phase)).astype(np.float32)
    meter = TruePeakMeter(rate, 1)
    for span in spans([sine[:, None]], rate):
        meter.push(span)
    read_db = 20 * np.log10(meter.result().true_peak[0])
    assert 20 * np.log10(np.cos(np.pi * frequency / 4)) <= read_db <= 0.05


SPEECH = Path(__file__).parent / "data" / "speech"
RATE = 48000


@lru_cache(maxsize=1)
def real_speech() -> np.ndarray:
    """Two people take turns for a minute, each on one channel, 14 dB weaker on the other."""
    rng = np.random.default_rng(4)
    people = [sorted(SPEECH.glob(f"cmu_arctic_us_{name}_*.flac")) for name in ("axb", "aew")]
    stretches = []
    for turn in range(14):
        channel = turn % 2
        samples, rate = soundfile.read(people[channel][turn // 2 % 3])
        voice = resample_poly(samples, RATE // rate, 1) * rng.uniform(0.3, 1.0)
        pause = np.zeros(int(rng.uniform(0.2, 1.5) * RATE))
        voice = np.concatenate([voice, pause])
        pair = np.stack([voice, 0.2 * voice], axis=1)
        stretches.append(pair if channel == 0 else pair[:, ::-1])
    sound = np.concatenate(stretches)
    return (sound + rng.standard_normal(sound.shape) * 3e-4).astype(np.float32)


@pytest.mark.parametrize("channels", [[0], [1], [0, 1]], ids=["first", "second", "programme"])
def test_libebur128_agrees_on_real_speech(channels) -> None:
    sound = np.ascontiguousarray(real_speech()[:, channels])
    meter = LoudnessMeter(RATE, len(channels))
    for span in spans([sound], RATE):
        meter.push(span)
    cells = programme_cells(meter.result().power)
    mode = r128.MeasurementMode.MODE_I | r128.MeasurementMode.MODE_LRA
    state = r128.R128State(len(channels), RATE, mode)
    state.add_frames(sound.astype(np.float64).ravel(), len(sound))
    assert integrated_lufs(cells) == pytest.approx(r128.get_loudness_global(state), abs=0.05)
    # libebur128 takes a short-term value a second: compared on that grid.
    assert range_lu(cells, 100) == pytest.approx(r128.get_loudness_range(state), abs=0.15)
