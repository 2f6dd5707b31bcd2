"""Clipped tops inside a lossy codec, where no two samples are equal any more."""

from pathlib import Path

import av
import numpy as np
import pytest
import soundfile as sf
import speech_scene
from scipy import signal
from scipy.ndimage import minimum_filter1d, uniform_filter1d
from speech_scene import RATE_HZ, SUBJECT

from dualmic.take import check_take

SUBJECT_ROLE = "subject"


def coded(samples: np.ndarray, path: Path) -> Path:
    """Write ``(frames, 2)`` as AAC, 256 kbit/s."""
    with av.open(str(path), "w") as container:
        stream = container.add_stream("aac", rate=RATE_HZ, layout="stereo")
        stream.bit_rate = 256_000
        for at in range(0, len(samples), 1024):
            block = np.ascontiguousarray(samples[at : at + 1024].T, np.float32)
            frame = av.AudioFrame.from_ndarray(block, format="fltp", layout="stereo")
            frame.sample_rate, frame.pts = RATE_HZ, at
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


def slate() -> np.ndarray:
    """Return a clap of a third of a second, ``(frames, 1)``, that peaks at 0.95."""
    at_s = np.arange(round(0.3 * RATE_HZ)) / RATE_HZ
    clap = np.random.default_rng(5).standard_normal(len(at_s)) * np.exp(-at_s / 0.03)
    return (0.95 * clap / np.abs(clap).max())[:, None]


@pytest.mark.parametrize(("clips", "slated"), [(True, False), (True, True), (False, False)])
def test_clipped_answer_is_found_inside_aac(tmp_path: Path, clips: bool, slated: bool) -> None:
    """One answer 10 dB over a ceiling, all turned down by 6 dB afterwards, or left whole."""
    scene = speech_scene.make(2)
    start_s, end_s = scene.answers()[0]
    part = slice(round(start_s * RATE_HZ), round(end_s * RATE_HZ))
    row = scene.samples[:, SUBJECT]
    ceiling = np.abs(row).max() * 1.2
    row[part] *= ceiling * 10 ** (10 / 20) / np.abs(row[part]).max()
    if clips:
        np.clip(row, -ceiling, ceiling, out=row)
    scene.samples *= 0.5 / ceiling / (1.0 if clips else 3.2)
    if slated:
        scene.samples *= 0.5
        scene.samples[: len(slate())] += slate()
    record = check_take([coded(scene.samples, tmp_path / "take.m4a")])
    found = [p for p in record.problems if p.kind == "clipping"]
    if slated:  # as it dies away, one moment of it lies at the ceiling
        found = [p for p in found if p.severity != "note"]
    assert bool(found) == clips
    for problem in found:
        assert problem.mic == "subject"
        assert start_s - 0.05 <= problem.start_s <= problem.end_s <= end_s + 0.05


def resampled(samples: np.ndarray, path: Path) -> Path:
    """Write ``(frames, 2)`` after it went to 44.1 kHz and back."""
    there = signal.resample_poly(samples, 147, 160, axis=0)
    sf.write(path.with_suffix(".wav"), signal.resample_poly(there, 160, 147), RATE_HZ, "PCM_24")
    return path.with_suffix(".wav")


def limited(row: np.ndarray, ceiling: float) -> np.ndarray:
    """Return what a limiter makes that looks 1 ms ahead and lets go within 80 ms."""
    ahead = RATE_HZ // 1000
    gain = minimum_filter1d(np.minimum(1.0, ceiling / np.maximum(np.abs(row), 1e-9)), 2 * ahead + 1)
    rise = 1 - np.exp(-1 / (0.08 * RATE_HZ))
    held = 1.0
    for k, least in enumerate(gain):
        held = min(least, held + (1 - held) * rise)
        gain[k] = held
    return row * uniform_filter1d(gain, ahead)


@pytest.mark.parametrize("write", [coded, resampled])
@pytest.mark.parametrize("cut", [True, False])
def test_loud_words_cut_all_through_a_take_are_found(tmp_path: Path, write, cut: bool) -> None:
    """Loud words 6 dB over the input's ceiling, in every answer; or a limiter kept them down."""
    scene = speech_scene.make(6)
    row = scene.samples[:, SUBJECT]
    loud = np.abs(row)[np.abs(row) > 0.1 * np.abs(row).max()]
    row *= 0.5 * 10 ** (3 / 20) / np.quantile(loud, 0.98)
    row[:] = np.clip(row, -0.5, 0.5) if cut else limited(row, 0.5)
    record = check_take([write(scene.samples, tmp_path / "take.m4a")])
    found = {(p.mic, p.severity == "note") for p in record.problems if p.kind == "clipping"}
    assert ((SUBJECT_ROLE, False) in found) is cut
    assert not any(mic != SUBJECT_ROLE for mic, _ in found)
