"""Every published value that exists, read through the code that checks a take.

One test a reference signal: its rows carry the expected value, the tolerance and the source, and
the assertion's message names all three.
"""

from itertools import groupby

import numpy as np
import pytest

from dualmic.meters.peaks import TruePeakMeter
from dualmic.prove import run_proof
from dualmic.tiles import seconds
from reference_signals import Row, all_rows

SIGNALS = [list(rows) for _, rows in groupby(all_rows(), key=lambda row: row.signal.name)]


@pytest.mark.parametrize("rows", SIGNALS, ids=lambda rows: rows[0].signal.name)
def test_a_reference_signal_reads_what_its_source_says(rows: list[Row]) -> None:
    for reading in run_proof(rows, second_opinion=False):
        assert reading.passed, (
            f"{reading.quantity} of {reading.made}: {reading.read} {reading.unit}, expected "
            f"{reading.expected} +{reading.plus}/-{reading.minus} ({reading.source})"
        )


# ITU-R BS.1770-5 annex 2: at least four-fold oversampling. Attachment 1 to annex 2: a sine at
# frequency f (re the sample rate), n-fold oversampled, under-reads by at most
# 20 log10 cos(pi f / n).
@pytest.mark.parametrize("frequency", [0.05, 0.125, 0.2, 0.25, 0.31, 0.375, 0.42, 0.45])
@pytest.mark.parametrize("phase", [0.0, 0.4, 0.8, 1.2])
def test_a_sine_never_under_reads_more_than_fourfold_oversampling_may(frequency, phase) -> None:
    rate = 48000
    time = np.arange(rate)
    fade = np.clip(np.minimum(time, time[::-1]) / 4800, 0, 1)
    sine = (fade * np.sin(2 * np.pi * frequency * time + phase)).astype(np.float32)
    meter = TruePeakMeter(rate, 1)
    for second in seconds([sine[:, None]], rate):
        meter.push(second)
    read_db = 20 * np.log10(meter.result().true_peak[0])
    assert 20 * np.log10(np.cos(np.pi * frequency / 4)) <= read_db <= 0.05
