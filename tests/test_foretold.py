"""What jumps is told from a loud consonant, from which it hardly stands out."""

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from dualmic.meters.foretold import unforetold_db
from dualmic.meters.transients import TransientMeter
from dualmic.tiles import spans

RATE_HZ = 48_000


def hiss(seconds: float) -> np.ndarray:
    """Return noise as of an s, from 4 to 8 kHz, silence in the other channel."""
    rng = np.random.default_rng(3)
    shape = butter(3, (4000, 8000), "bandpass", fs=RATE_HZ, output="sos")
    sound = sosfilt(shape, rng.standard_normal(round(seconds * RATE_HZ)))
    sound = 0.1 * sound / sound.std() + 1e-4 * rng.standard_normal(len(sound))
    return np.stack([sound, np.zeros(len(sound))]).astype(np.float32)


@pytest.mark.parametrize("jumps", [True, False])
def test_two_samples_that_jump_under_a_consonant_are_foretold_by_nothing(jumps: bool) -> None:
    sound = hiss(0.1)[0]
    sound[2400:2402] += 0.3 * jumps
    assert (unforetold_db(sound, 2400, 24) > 15.0) is jumps
    assert unforetold_db(sound, 2400, 24) > 15.0 or unforetold_db(sound, 2400, 24) < 3.0


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
def test_a_jump_between_spans_is_told_whatever_the_rate(rate_hz: int) -> None:
    """As a take has it: at the end of one span, and judged with the next."""
    meter = TransientMeter(rate_hz)
    sound = np.repeat(hiss(6.0), max(rate_hz // RATE_HZ, 1), axis=1)[:, : 6 * rate_hz]
    at = 4 * rate_hz - 50
    sound[0, at : at + 2 * max(rate_hz // RATE_HZ, 1)] += 0.55
    for span in spans([sound.T], rate_hz):
        meter.push(span)
    (found,) = [short for short in meter.result() if short.bright_power is not None]
    assert abs(found.at_s - at / rate_hz) < 0.001
    assert found.over_db > 13.0


def test_silence_foretells_itself() -> None:
    assert unforetold_db(np.zeros(4800, np.float32), 2400, 24) == pytest.approx(0.0)
