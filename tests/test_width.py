"""What two channels have in common, where a channel's offset is not the same all along."""

import numpy as np

from dualmic.meters.width import Width, WidthMeter
from dualmic.tiles import CELLS_PER_S, spans

RATE_HZ = 48_000


def width_of(samples: np.ndarray) -> Width:
    meter = WidthMeter(RATE_HZ)
    for span in spans([samples.astype(np.float32)], RATE_HZ):
        meter.push(span)
    return meter.result()


def residual_db(samples: np.ndarray) -> np.ndarray:
    offsets = float(samples[:, 0].mean()), float(samples[:, 1].mean())
    return width_of(samples).residual_db(5 * CELLS_PER_S, CELLS_PER_S // 10, offsets)


def test_offsets_that_change_make_no_common_signal() -> None:
    """One channel is mute at nearly its mean, the other's offset moves: they share nothing."""
    rng = np.random.default_rng(2)
    count = 10 * RATE_HZ
    early = np.column_stack([0.0049 + rng.normal(0, 0.01, count), rng.normal(-0.01, 0.01, count)])
    late = np.column_stack([np.full(count, 0.0051), rng.normal(0.01, 0.01, count)])
    assert residual_db(np.concatenate([early, late])).min() > -20.0


def test_one_signal_with_offsets_is_one_signal() -> None:
    voice = np.random.default_rng(3).normal(0, 0.1, 10 * RATE_HZ)
    assert residual_db(np.column_stack([voice + 0.02, 0.5 * voice - 0.01])).max() < -60.0


def test_one_signal_ends_where_it_does_though_a_pause_comes_before_and_after() -> None:
    """Ten seconds of a voice in both channels between pauses that each holds by itself."""
    rng = np.random.default_rng(4)
    samples = rng.normal(0, 1e-4, (20 * RATE_HZ, 2))
    part = slice(round(4.23 * RATE_HZ), round(14.23 * RATE_HZ))
    samples[part] = rng.normal(0, 0.1, (10 * RATE_HZ, 1)) * [1.0, 0.5]
    ((start, end, left_db),) = width_of(samples).dual_mono((0.0, 0.0))
    assert abs(start - 423) <= 1
    assert abs(end - 1423) <= 1
    assert left_db < -50.0
