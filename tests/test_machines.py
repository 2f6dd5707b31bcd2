"""What a step of the background is taken for."""

import numpy as np
import pytest

from dualmic.findings.base import BLOCKS_PER_S
from dualmic.findings.floors import Step
from dualmic.findings.machines import _dies_away, of_step

NOTHING = np.nan


@pytest.mark.parametrize(
    ("band", "there_db", "is_told"),
    [(0, 14.0, True), (7, 6.0, True), (0, NOTHING, False), (3, 14.0, False)],
)
def test_one_band_is_enough_of_a_background_where_no_voice_reaches(
    band: int, there_db: float, is_told: bool
) -> None:
    """Under 100 Hz and over 8 kHz, if both microphones hear it; a vowel may fill any other."""
    by_db = np.full((2, 8), NOTHING)
    by_db[:, band] = 17.0, there_db
    step = Step(100, 98, 102, by_db * 0 - 70.0, by_db, by_db[:, band])
    assert (of_step(step) is not None) == is_told


@pytest.mark.parametrize(
    ("db_per_s", "swing_db", "rings"),
    [(5.0, 0.3, True), (0.0, 0.3, False), (20.0, 0.3, False), (5.0, 4.0, False)],
)
def test_a_bell_rings_out_evenly(db_per_s: float, swing_db: float, rings: bool) -> None:
    """A machine stays, the room takes words away within a second, and words go up and down."""
    at_s = np.arange(3 * BLOCKS_PER_S) / BLOCKS_PER_S
    level_db = -50 - db_per_s * at_s + swing_db * np.sin(2 * np.pi * 4 * at_s)
    blocks = np.tile(level_db[None, :, None], (2, 1, 8))
    assert _dies_away(blocks, BLOCKS_PER_S) == rings
