"""K-weighting against the standard's filters run sample by sample by scipy, in double precision."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import lfilter

from dualmic.meters import k_weighting as module
from dualmic.meters.k_weighting import ByResponse, Recursive, k_weighting

# ITU-R BS.1770-5, annex 1, tables 1 and 2: numerators and denominators at 48 kHz.
SHELF = (
    [1.53512485958697, -2.69169619938640, 1.19839281085285],
    [1, -1.69065929318241, 0.73248077421585],
)
HIGH_PASS = [1.0, -2.0, 1.0], [1, -1.99004745483398, 0.99007225036621]


def _sound(rate_hz: int, seconds: float) -> NDArray[np.float32]:
    """Noise with an offset, which the high-pass has to take away, and a loud click."""
    rng = np.random.default_rng(3)
    sound = rng.normal(0, 0.1, (2, round(rate_hz * seconds)))
    sound += np.array([[0.2], [-0.1]])
    sound[:, rate_hz // 2] += 0.9
    return sound.astype(np.float32)


def _run(weighting, sound: NDArray[np.float32], rate_hz: int) -> NDArray[np.float32]:
    starts = range(0, sound.shape[1], rate_hz)
    return np.concatenate([weighting.weighted(sound[:, k : k + rate_hz]) for k in starts], axis=1)


def test_the_filters_at_48_khz_are_those_of_the_standard() -> None:
    sound = _sound(48000, 3.37)
    want = lfilter(*HIGH_PASS, lfilter(*SHELF, sound.astype(np.float64)))
    got = _run(k_weighting(48000, 2), sound, 48000)
    assert isinstance(k_weighting(48000, 2), Recursive)
    np.testing.assert_allclose(got, want, atol=5e-7)  # single precision


@pytest.mark.parametrize("rate_hz", [48000, 88200, 96000, 192000])
def test_both_ways_give_the_same(rate_hz: int) -> None:
    sound = _sound(rate_hz, 2.2)
    assert isinstance(k_weighting(rate_hz, 2), Recursive)
    block = k_weighting(rate_hz, 2)._block
    assert rate_hz % block == 0
    one, two = (
        _run(way, sound, rate_hz) for way in (Recursive(rate_hz, 2, block), ByResponse(rate_hz, 2))
    )
    # Overlap-save forgets after 60 ms, which leaves a trace of the offset.
    np.testing.assert_allclose(one, two, atol=2e-5)


@pytest.mark.parametrize("block", [32, 60, 96, 120])
def test_the_length_of_a_block_is_of_no_influence(block: int) -> None:
    sound = _sound(48000, 1.5)
    usual = _run(k_weighting(48000, 2), sound, 48000)
    np.testing.assert_allclose(_run(Recursive(48000, 2, block), sound, 48000), usual, atol=5e-7)


@pytest.mark.parametrize("rate_hz", [8000, 44100, 48611])
def test_other_rates_go_by_the_response(rate_hz: int) -> None:
    # 48611 is prime: no block divides a second of it.
    assert isinstance(k_weighting(rate_hz, 1), ByResponse)


def test_states_are_kept_until_nothing_is_left_of_them(monkeypatch: pytest.MonkeyPatch) -> None:
    kept = len(Recursive(48000, 1, 128)._decays)
    monkeypatch.setattr(module, "FORGOTTEN", 1e-3)
    assert len(Recursive(48000, 1, 128)._decays) < kept
