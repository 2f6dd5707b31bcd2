"""What two channels have in common, where a channel's offset is not the same all along."""

import numpy as np

from dualmic.meters.width import WidthMeter
from dualmic.tiles import CELLS_PER_S, spans

RATE_HZ = 48_000


def residual_db(samples: np.ndarray) -> np.ndarray:
    meter = WidthMeter(RATE_HZ)
    for span in spans([samples.astype(np.float32)], RATE_HZ):
        meter.push(span)
    offsets = float(samples[:, 0].mean()), float(samples[:, 1].mean())
    return meter.result().residual_db(5 * CELLS_PER_S, CELLS_PER_S // 10, offsets)


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
