"""Masks over time against what a loop says."""

import numpy as np
import pytest

from dualmic.meters.masks import (
    bridged,
    holding,
    longer,
    mask_of,
    moving_mean,
    number_in,
    runs_of,
    widened,
)
from dualmic.meters.spectrum import frame_mask


def _by_loop(starts: list[int], ends: list[int], length: int) -> list[bool]:
    return [any(a <= k < b for a, b in zip(starts, ends, strict=True)) for k in range(length)]


@pytest.mark.parametrize(
    ("starts", "ends"),
    [
        ([], []),
        ([0], [20]),
        ([2, 5], [4, 9]),
        ([2, 4], [4, 9]),  # touching
        ([2, 3, 12], [6, 5, 14]),  # one inside another
        ([9, 1], [11, 3]),  # out of order
        ([-4, 18], [2, 30]),  # beyond both ends
        ([5], [5]),  # nothing
        ([7], [3]),  # upside down
    ],
)
def test_spans_become_a_mask(starts: list[int], ends: list[int]) -> None:
    mask = mask_of(np.array(starts, np.int64), np.array(ends, np.int64), 20)
    assert mask.dtype == bool
    assert mask.tolist() == _by_loop(starts, ends, 20)


@pytest.mark.parametrize("length", [0, 1, 2, 50])
def test_a_mask_becomes_its_runs_and_back(length: int) -> None:
    rng = np.random.default_rng(length)
    for share in (0.0, 0.3, 0.7, 1.0):
        mask = rng.random(length) < share
        starts, ends = runs_of(mask)
        assert mask_of(starts, ends, length).tolist() == mask.tolist()
        assert (ends > starts).all()
        assert (starts[1:] > ends[:-1]).all()


def test_gaps_runs_and_margins() -> None:
    mask = np.array([0, 1, 0, 1, 1, 0, 0, 0, 1, 0], bool)
    assert bridged(mask, 1).tolist() == [0, 1, 1, 1, 1, 0, 0, 0, 1, 0]
    assert longer(mask, 2).tolist() == [0, 0, 0, 1, 1, 0, 0, 0, 0, 0]
    assert widened(mask, 1, 2).tolist() == [1, 1, 1, 1, 1, 1, 1, 1, 1, 1]


@pytest.mark.parametrize("count", [0, 1, 2, 4, 5, 6, 40])
@pytest.mark.parametrize("length", [1, 3, 5, 31])
def test_a_moving_mean_is_the_mean_of_what_is_there(count: int, length: int) -> None:
    values = np.random.default_rng(count).normal(size=count)
    half = length // 2
    want = [values[max(k - half, 0) : k + half + 1].mean() for k in range(count)]
    np.testing.assert_allclose(moving_mean(values, length), want, atol=1e-12)


@pytest.mark.parametrize("length", [0, 1, 7, 60])
@pytest.mark.parametrize("share", [0.0, 0.1, 0.6, 1.0])
def test_what_lies_inside_is_counted(length: int, share: float) -> None:
    rng = np.random.default_rng(length)
    mask, low = rng.random(length) < share, rng.random(length) < 0.5
    starts = rng.integers(0, length + 1, 40)
    ends = np.minimum(starts + rng.integers(0, 9, 40), length)
    want = [int(mask[a:b].sum()) for a, b in zip(starts, ends, strict=True)]
    assert number_in(mask, starts, ends).tolist() == want
    kept = np.zeros(length, bool)
    for start, end in zip(*runs_of(low), strict=True):
        kept[start:end] = mask[start:end].any()
    assert holding(low, mask & low).tolist() == kept.tolist()


@pytest.mark.parametrize("frames", [0, 1, 7, 11])
@pytest.mark.parametrize("cells", [0, 3, 34, 55, 80])
def test_frames_of_100_ms_lie_around_every_fifth_cell(frames: int, cells: int) -> None:
    mask = np.random.default_rng(cells).random(cells) < 0.85
    spans = [mask[max(5 * k - 5, 0) : 5 * k + 5] for k in range(frames)]
    whole = [len(span) == 10 and bool(span.all()) for span in spans]
    assert frame_mask(mask, frames).tolist() == whole
    assert frame_mask(mask, frames, whole=False).tolist() == [bool(s.any()) for s in spans]
