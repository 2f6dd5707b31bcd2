"""What rises within pauses: a gain lifts all bands alike, the first sounds of a word do not."""

import numpy as np
import pytest

from dualmic.findings.automatic import automatic_gain, pause_rises
from dualmic.findings.base import BLOCKS_PER_S

PAUSES, PAUSE_S, WORDS_S = 6, 2.0, 3.0


def pauses_that_rise(by_db: list[float]) -> np.ndarray:
    """Return blocks of words and pauses; the speech bands of microphone 0 rise over each pause."""
    words, pause = (round(seconds * BLOCKS_PER_S) for seconds in (WORDS_S, PAUSE_S))
    rng = np.random.default_rng(6)
    blocks = rng.normal(-60.0, 0.7, (2, PAUSES * (words + pause), 8))
    for number in range(PAUSES):
        first = number * (words + pause)
        blocks[:, first : first + words] += 30.0
        rise = np.linspace(0.0, 1.5, pause).clip(0, 1)[:, None]
        blocks[0, first + words : first + words + pause, 1:7] += rise * np.array(by_db)
    return blocks


@pytest.mark.parametrize(
    ("by_db", "is_gain"),
    [
        ([6.0, 5.0, 6.5, 5.5, 6.0, 5.0], True),
        ([0.0, 5.0, 6.5, 5.5, 6.0, 5.0], True),  # a hum behind the gain stays
        ([13.0, 12.0, 4.0, 2.5, 1.8, 1.2], False),
        ([4.0, 8.0, 14.0, 13.0, 5.0, 1.0], False),
    ],
)
def test_only_what_lifts_all_bands_alike_is_a_gain(by_db: list[float], is_gain: bool) -> None:
    blocks = pauses_that_rise(by_db)
    rises = pause_rises(blocks, 0, np.zeros(blocks.shape[1], bool))
    assert len(rises) >= PAUSES - 1
    assert (rises > 1.0).all() == is_gain
    assert (rises > 1.0).any() == is_gain


@pytest.mark.parametrize(("by_db", "severity"), [(1.6, "note"), (2.4, "warn")])
def test_a_gain_that_hardly_comes_up_only_may_set_itself(by_db: float, severity: str) -> None:
    (found,) = automatic_gain([np.full(4, by_db), np.zeros(4)], 60.0)
    assert (found.mic, found.severity, found.facts["automatic"]) == (0, severity, True)
