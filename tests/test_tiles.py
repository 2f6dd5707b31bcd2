"""Spans of a take, what came just before them, and how loud their loudest samples are."""

import numpy as np
import pytest
import speech_scene

from dualmic.meters.levels import LevelMeter, level_exceeded_dbfs
from dualmic.tiles import SPAN_S, BadSamples, before_frames, spans

RATE_HZ = 8000


def test_a_span_holds_what_came_just_before_it() -> None:
    """Zeros before the take; then the last span's own samples, bad ones replaced in both."""
    samples = np.random.default_rng(1).standard_normal((10 * RATE_HZ, 2)).astype(np.float32)
    samples[SPAN_S * RATE_HZ - 3, 1] = np.nan
    bad = BadSamples(np.zeros(2, np.int64))
    made = list(spans([samples[:12_345], samples[12_345:]], RATE_HZ, bad))
    clean = np.nan_to_num(samples, nan=0.0).T
    assert [span.frames for span in made] == [4 * RATE_HZ, 4 * RATE_HZ, 2 * RATE_HZ]
    assert bad.count.tolist() == [0, 1]
    for before in (0, 7, before_frames(RATE_HZ)):
        assert not made[0].since(before)[:, :before].any()
        for span in made[1:]:
            start = span.start_s * RATE_HZ - before
            assert np.array_equal(span.since(before), clean[:, start:][:, : span.frames + before])
    with pytest.raises(ValueError, match="asked for"):
        made[1].since(before_frames(RATE_HZ) + 1)
    assert np.array_equal(made[1].only([1]).since(5), made[1].since(5)[1:])


@pytest.mark.parametrize("rate_hz", [16_000, 44_100, 48_000, 96_000])
def test_the_level_that_a_thousandth_exceeds_is_that_of_all_samples(rate_hz: int) -> None:
    """Against numpy's own quantile, on open speech; the steps are read off by interpolation."""
    speech = np.concatenate(speech_scene.utterances()[1])
    at = np.arange(0, len(speech) - 1, 48_000 / rate_hz)
    speech = np.interp(at, np.arange(len(speech)), speech)[: 12 * rate_hz]
    meter = LevelMeter(rate_hz, 1)
    for span in spans([speech[:, None].astype(np.float32)], rate_hz):
        meter.push(span)
    counts = meter.result().peak_counts[0]
    read = level_exceeded_dbfs(counts, np.ones(len(counts), bool), 0.001)
    assert read == pytest.approx(20 * np.log10(np.quantile(np.abs(speech), 0.999)), abs=0.25)


@pytest.mark.parametrize(("value", "count"), [(1e5, 0), (1e30, 1), (-1e8, 1)])
def test_what_is_louder_than_any_sound_is_no_number(value: float, count: int) -> None:
    """120 dB over full scale: a float file that was damaged holds such values."""
    samples = np.zeros((4800, 1), np.float32)
    samples[100] = value
    bad = BadSamples(np.zeros(1, np.int64))
    (span,) = spans([samples], 48_000, bad)
    assert bad.count.tolist() == [count]
    assert float(np.abs(span.samples).max()) == (0.0 if count else abs(value))
