"""Measuring a finished mix: channel weights, speech among music, silence, peaks."""

from functools import cache
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy import signal

from dualmic.errors import UsageError
from dualmic.meters.mix_speech import MixSpeechMeter
from dualmic.mix import MixFacts
from dualmic.mix_measure import measure_mix, silent_ends_s
from dualmic.recording import open_recording
from dualmic.tiles import spans

RATE_HZ = 48000
SPEECH = Path(__file__).parent / "data" / "speech"


def measured(tmp_path: Path, *channels: np.ndarray, subtype: str = "PCM_24") -> MixFacts:
    path = tmp_path / "mix.wav"
    soundfile.write(path, np.stack(channels, axis=1), RATE_HZ, subtype=subtype)
    with open_recording([path]) as recording:
        return measure_mix(recording)


def tone(dbfs: float, length_s: float = 5.0, frequency_hz: float = 1000.0) -> np.ndarray:
    """A sine whose peak lies at ``dbfs``."""
    at_s = np.arange(round(length_s * RATE_HZ)) / RATE_HZ
    return 10 ** (dbfs / 20) * np.sin(2 * np.pi * frequency_hz * at_s)


def test_a_mono_programme_and_its_two_channel_copy_differ_by_3_01_lu(tmp_path):
    # ITU-R BS.1770-5, annex 1: channel powers add, weight 1.0 for left and right.
    mono = measured(tmp_path, tone(-20)).programme.integrated_lufs
    stereo = measured(tmp_path, tone(-20), tone(-20)).programme.integrated_lufs
    assert stereo - mono == pytest.approx(3.01, abs=0.005)


def test_a_997_hz_sine_at_full_scale_reads_minus_3_01(tmp_path):
    # ITU-R BS.1770-5, annex 1.
    facts = measured(tmp_path, tone(0, frequency_hz=997.0), subtype="FLOAT")
    assert facts.programme.integrated_lufs == pytest.approx(-3.01, abs=0.01)


def test_a_5_0_tone_reads_minus_23(tmp_path):
    # EBU Tech 3341, test case 6 (levels from memory): 1000 Hz, L and R at -28.0 dBFS, C at
    # -24.0, Ls and Rs at -30.0: -23.0 LUFS within 0.1 LU.
    facts = measured(tmp_path, tone(-28), tone(-28), tone(-24), tone(-30), tone(-30))
    assert facts.layout == "5.0"
    assert facts.programme.integrated_lufs == pytest.approx(-23.0, abs=0.1)


def test_a_surround_channel_counts_1_5_db_more_and_the_lfe_not_at_all(tmp_path):
    # ITU-R BS.1770-5, annex 1, table 3: 1.41 for left and right surround; the LFE is left out.
    off = np.zeros(5 * RATE_HZ)
    front = measured(tmp_path, tone(-20), off, off, off, off, off).programme.integrated_lufs
    for column in (4, 5):
        channels = [off] * 6
        channels[column] = tone(-20)
        surround = measured(tmp_path, *channels).programme.integrated_lufs
        assert surround - front == pytest.approx(10 * np.log10(1.41), abs=0.01)
    with_lfe = measured(tmp_path, tone(-20), off, off, tone(-6), off, off)
    assert with_lfe.programme.integrated_lufs == pytest.approx(front, abs=0.001)


def test_the_true_peak_is_found_in_the_channel_and_at_the_time_it_has(tmp_path):
    # A sine at a quarter of the sample rate, sampled 45 degrees off its crests, holds samples at
    # 0.7071 of its peak: 3.01 dB hidden between them (ITU-R BS.1770-5, annex 2).
    quiet = np.zeros(5 * RATE_HZ)
    loud = quiet.copy()
    n = np.arange(RATE_HZ // 2)
    burst = 0.5 * np.sin(np.pi / 2 * n + np.pi / 4) * signal.windows.tukey(len(n), 0.5)
    loud[3 * RATE_HZ : 3 * RATE_HZ + len(n)] = burst
    facts = measured(tmp_path, quiet, loud)
    assert facts.programme.true_peak_dbtp == pytest.approx(-6.02, abs=0.1)
    assert 20 * np.log10(np.abs(loud).max()) == pytest.approx(-9.03, abs=0.05)
    assert facts.true_peak_channel == 2
    assert 3.0 <= facts.true_peak_at_s <= 3.5


def test_silence_at_both_ends_is_measured(tmp_path):
    off = np.zeros(RATE_HZ)
    sound = np.concatenate([off, tone(-20, 2.0), off, off, off[: RATE_HZ // 2]])
    facts = measured(tmp_path, sound, sound)
    assert facts.head_silence_s == pytest.approx(1.0, abs=0.011)
    assert facts.tail_silence_s == pytest.approx(2.5, abs=0.011)


def test_a_silent_programme_is_measured_and_has_no_loudness(tmp_path):
    facts = measured(tmp_path, np.zeros(RATE_HZ), np.zeros(RATE_HZ))
    assert (facts.programme.integrated_lufs, facts.programme.true_peak_dbtp) == (None, None)
    assert facts.head_silence_s == 1.0
    assert silent_ends_s(np.zeros(0), 0.004) == (0.004, 0.0)


def test_identical_channels_fold_down_to_plus_3_db_and_mono_has_nothing_to_fold(tmp_path):
    assert measured(tmp_path, tone(-20), tone(-20)).mono_sum_db == pytest.approx(3.01, abs=0.01)
    assert measured(tmp_path, tone(-20)).mono_sum_db is None


def test_four_channels_are_no_mix(tmp_path):
    with pytest.raises(UsageError, match="--as take"):
        measured(tmp_path, *[tone(-20, 1.0)] * 4)


# ---- speech among music ----


@cache
def talk() -> np.ndarray:
    """Open speech of two speakers at 48 kHz, 19 s, peaking at 0.3."""
    parts = []
    for path in sorted(SPEECH.glob("cmu_arctic_us_*.flac")):
        samples, rate_hz = soundfile.read(path)
        assert rate_hz * 3 == RATE_HZ
        parts += [signal.resample_poly(samples, 3, 1), np.zeros(RATE_HZ // 5)]
    speech = np.concatenate(parts)
    return 0.3 * speech / np.abs(speech).max()


@cache
def song(length_s: float) -> np.ndarray:
    """Chords, a bass drum and a snare at 100 beats a minute, unit RMS."""
    rng = np.random.default_rng(3)
    beat = round(0.6 * RATE_HZ)
    at_s = np.arange(4 * beat) / RATE_HZ
    decay = np.exp(-at_s / 1.5) * np.minimum(at_s / 0.02, 1)
    drums = np.zeros(4 * beat)
    for number in range(4):
        here = drums[number * beat :]
        snare = rng.standard_normal(len(at_s)) * np.exp(-at_s / 0.05)
        kick = np.sin(2 * np.pi * 60 * at_s) * np.exp(-at_s / 0.15)
        here += (0.7 * snare * (number % 2) + 2 * kick)[: len(here)]
    bars = []
    for root_hz in (110.0, 87.31, 130.81, 98.0):
        chord = sum(
            np.sin(2 * np.pi * root_hz * ratio * k * at_s) / k**1.5
            for ratio in (1, 2, 2.52, 3)
            for k in range(1, 9)
        )
        bars.append(chord * decay + drums)
    out = np.resize(np.concatenate(bars), round(length_s * RATE_HZ))
    return out / np.sqrt(np.mean(out**2))


def rms(samples: np.ndarray) -> float:
    return float(np.sqrt(np.mean(samples**2)))


def test_the_loudness_of_the_speech_is_found_among_loud_music(tmp_path):
    speech = talk()
    alone = measured(tmp_path, speech, speech).programme.integrated_lufs
    music = 2.0 * rms(speech) * song(15.0)  # 6 dB over the speech
    programme = np.concatenate([music, speech, music, speech, music])
    facts = measured(tmp_path, programme, programme)
    assert facts.programme.integrated_lufs > alone + 3.0
    assert facts.speech_lufs == pytest.approx(alone, abs=0.5)
    assert facts.speech_s == pytest.approx(2 * len(speech) / RATE_HZ, rel=0.3)


def test_a_soft_bed_of_music_does_not_hide_the_speech(tmp_path):
    speech = np.concatenate([talk(), talk()])
    alone = measured(tmp_path, speech, speech).programme.integrated_lufs
    bed = 0.1 * rms(speech) * song(len(speech) / RATE_HZ + 1)[: len(speech)]  # 20 dB under it
    facts = measured(tmp_path, speech + bed, speech + bed)
    assert facts.speech_lufs == pytest.approx(alone, abs=0.3)
    assert facts.speech_s > 0.7 * len(speech) / RATE_HZ


def test_music_tones_and_noise_are_no_speech(tmp_path):
    hiss = 0.1 * np.random.default_rng(5).standard_normal(20 * RATE_HZ)
    for sound in (0.1 * song(20.0), hiss, tone(-20, 20.0)):
        assert measured(tmp_path, sound).speech_s < 1.0


def test_in_surround_speech_is_looked_for_in_the_centre(tmp_path):
    speech = talk()
    music = 0.7 * rms(speech) * song(len(speech) / RATE_HZ + 1)[: len(speech)]
    off = np.zeros(len(speech))
    facts = measured(tmp_path, off, off, speech, off, music, music)
    assert facts.speech_s > 0.6 * len(speech) / RATE_HZ


@pytest.mark.parametrize("rate_hz", [16000, 44100])
def test_speech_is_found_at_any_sample_rate(rate_hz):
    speech = talk()
    resampled = signal.resample_poly(speech, rate_hz // 100, RATE_HZ // 100).astype(np.float32)
    meter = MixSpeechMeter(rate_hz)
    for span in spans([resampled[:, None]], rate_hz):
        meter.push(span.samples[0])
    assert meter.result().mean() > 0.7


def test_a_long_programme_reads_as_its_parts_do(monkeypatch):
    speech = np.concatenate([talk(), 0.2 * song(15.0)]).astype(np.float32)
    masks = []
    for part_cells in (60_000, 100):
        monkeypatch.setattr("dualmic.meters.mix_speech._PART_CELLS", part_cells)
        meter = MixSpeechMeter(RATE_HZ)
        for span in spans([speech[:, None]], RATE_HZ):
            meter.push(span.samples[0])
        masks.append(meter.result())
    assert np.array_equal(masks[0], masks[1])
