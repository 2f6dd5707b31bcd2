"""From a mix's file to its record: what is in it, and what would make it pass."""

from pathlib import Path

import msgspec
import numpy as np
import pytest
import soundfile

from dualmic.check_mix import check_mix
from dualmic.errors import UsageError
from dualmic.record import decode, encode
from dualmic.take import CheckOptions

RATE_HZ = 48000


def a_mix(tmp_path: Path, dbfs: float, channels: int = 2, name: str = "mix.wav") -> Path:
    """Ten seconds of a 1 kHz sine whose peaks lie at ``dbfs``, the same in every channel."""
    at_s = np.arange(10 * RATE_HZ) / RATE_HZ
    tone = 10 ** (dbfs / 20) * np.sin(2 * np.pi * 1000 * at_s)
    path = tmp_path / name
    soundfile.write(path, np.stack([tone] * channels, axis=1), RATE_HZ, subtype="PCM_24")
    return path


def test_a_tone_at_minus_16_passes_as_a_podcast_and_is_too_loud_for_europe(tmp_path):
    # EBU Tech 3341, test case 1: a stereo 1 kHz sine at -23 dBFS reads -23.0 LUFS, so one at -16
    # reads -16.0. EBU R 128 asks for -23 within 0.5 LU (1 LU at the most): 6.5 dB are too many.
    path = a_mix(tmp_path, -16.0)
    record = check_mix([path], CheckOptions(specs=("podcast", "broadcast-eu")))
    assert record.mode == "mix"
    assert record.programme.integrated_lufs == pytest.approx(-16.0, abs=0.1)
    assert record.deliveries["podcast"].result == "pass"
    assert record.deliveries["broadcast-eu"].result == "fail"
    assert record.deliveries["broadcast-eu"].gain_db["programme"] == pytest.approx(-7.0, abs=0.1)
    assert [line for line in record.set_up if "lower the whole mix by 6.5 dB" in line]
    assert not [line for line in record.set_up if "podcast" in line]
    assert record.problems == []


def test_a_peak_over_the_limit_has_its_place(tmp_path):
    path = a_mix(tmp_path, -16.0)
    samples, _ = soundfile.read(path)
    samples[7 * RATE_HZ, 1] = 0.99
    soundfile.write(path, samples, RATE_HZ, subtype="PCM_24")
    # Common practice: -1 dBTP for a podcast, -2 for a film; the stricter of them counts.
    record = check_mix([path], CheckOptions(specs=("podcast", "film")))
    (problem,) = record.problems
    assert (problem.kind, problem.channel, problem.limit) == ("peak_over", 2, -2.0)
    assert problem.start_s == pytest.approx(7.0, abs=0.01)
    assert problem.value > -0.5


def test_a_mix_without_speech_is_incomplete_as_a_film(tmp_path):
    record = check_mix([a_mix(tmp_path, -27.0)], CheckOptions(specs=("film",)))
    assert record.deliveries["film"].result == "incomplete"


def test_a_mix_that_ends_early_says_so(tmp_path):
    path = a_mix(tmp_path, -16.0)
    path.write_bytes(path.read_bytes()[:1_000_000])
    record = check_mix([path])
    assert [problem.kind for problem in record.problems] == ["truncated"]


def test_broken_values_are_counted_and_not_spread(tmp_path):
    path = tmp_path / "float.wav"
    samples = np.full((RATE_HZ, 2), 0.1, np.float32)
    samples[100, 0] = np.nan
    soundfile.write(path, samples, RATE_HZ, subtype="FLOAT")
    record = check_mix([path])
    assert [problem.kind for problem in record.problems] == ["bad_samples"]
    assert record.programme.true_peak_dbtp is not None


@pytest.mark.parametrize(
    ("channels", "last"), [(1, "Mono"), (2, "Right"), (5, "Right surround"), (6, "Right surround")]
)
def test_the_channels_are_named_in_their_order(tmp_path, channels, last):
    record = check_mix([a_mix(tmp_path, -30.0, channels)])
    assert [channel.channel for channel in record.channels] == list(range(1, channels + 1))
    assert record.channels[-1].name == last


def test_the_record_is_the_one_that_reports_read(tmp_path):
    record = check_mix([a_mix(tmp_path, -16.0)])
    assert msgspec.json.encode(decode(encode(record))) == msgspec.json.encode(record)


def test_progress_is_told_in_seconds(tmp_path):
    told: list[float] = []
    check_mix([a_mix(tmp_path, -16.0)], progress=told.append)
    assert told[-1] == 10.0


def test_three_channels_are_no_mix(tmp_path):
    with pytest.raises(UsageError, match="this one has 3"):
        check_mix([a_mix(tmp_path, -16.0, 3)])
