"""A-weighting: tones at the third octaves, and what IEC 61672-1 says they must lose.

The tone stands on a microphone on which nobody speaks, so it is the noise floor; A-weighted it must
read its own level plus the table's figure. Two tones a signal, one a microphone. The higher one has
a whisper of noise under it, because a microphone without any sound below 8 kHz is a dead one.
"""

from collections.abc import Iterator

import numpy as np

from reference_signals.interview import noise
from reference_signals.signal import Block, Row, Signal
from reference_signals.tones import amplitude

SOURCE = "IEC 61672-1:2013, 5.5, Table 3 (checked against public copies of the table)"
TONE_RMS_DBFS = -30.0
NOISE_DBFS = -80.0  # over 40 dB under every tone of the upper half, A-weighted
DURATION_S = 4.0
# The table is rounded to 0.1 dB; the standard lets a class 1 sound level meter err by 0.7 dB at
# 1 kHz and more elsewhere. Our choice: 0.2 dB, tighter by far.
TOLERANCE_DB = 0.2

# Nominal frequency in Hz: A-weighting in dB at the exact frequency 1000 * 10 ** (n / 10).
TABLE_DB = {
    20: -50.5,
    25: -44.7,
    31.5: -39.4,
    40: -34.6,
    50: -30.2,
    63: -26.2,
    80: -22.5,
    100: -19.1,
    125: -16.1,
    160: -13.4,
    200: -10.9,
    250: -8.6,
    315: -6.6,
    400: -4.8,
    500: -3.2,
    630: -1.9,
    800: -0.8,
    1000: 0.0,
    1250: 0.6,
    1600: 1.0,
    2000: 1.2,
    2500: 1.3,
    3150: 1.2,
    4000: 1.0,
    5000: 0.5,
    6300: -0.1,
    8000: -1.1,
    10000: -2.5,
    12500: -4.3,
    16000: -6.6,
    20000: -9.3,
}


def exact_hz(nominal_hz: float) -> float:
    """Return the exact third-octave frequency of a nominal one (IEC 61672-1, Table 3 note)."""
    return float(1000 * 10 ** (round(10 * np.log10(nominal_hz / 1000)) / 10))


def a_weighting_db(frequency_hz: np.ndarray | float) -> np.ndarray:
    """Return A-weighting in dB by the standard's formula (IEC 61672-1, annex E, from memory)."""
    f2 = np.square(np.asarray(frequency_hz, dtype=float))
    poles = (f2 + 20.6**2) * np.sqrt((f2 + 107.7**2) * (f2 + 737.9**2)) * (f2 + 12194.0**2)
    return 20 * np.log10(12194.0**2 * f2**2 / poles) + 2.0


def rows(sample_rate_hz: int = 48000) -> Iterator[Row]:
    """Yield the third octaves from 20 Hz to 20 kHz, as far as the sample rate carries them."""
    nominal = [hz for hz in TABLE_DB if exact_hz(hz) < 0.45 * sample_rate_hz]
    half = len(nominal) // 2
    made = []
    for low, high in zip(nominal, nominal[half:], strict=False):
        signal = _two_tones(low, high, sample_rate_hz)
        for role, hz in (("interviewer", low), ("subject", high)):
            quantity, expected = f"mics.{role}.noise_floor_dba", TONE_RMS_DBFS + TABLE_DB[hz]
            within = TOLERANCE_DB
            number = f"A {hz:g} Hz"
            row = Row(number, signal, quantity, expected, within, within, "dB(A)FS", SOURCE)
            made.append((hz, row))
    # In the order of the table.
    yield from (row for _, row in sorted(made, key=lambda pair: pair[0]))


def _two_tones(first_hz: float, second_hz: float, rate: int) -> Signal:
    step = 2 * np.pi / rate * np.array([exact_hz(first_hz), exact_hz(second_hz)])
    peak = amplitude(TONE_RMS_DBFS) * np.sqrt(2)

    frames = round(DURATION_S * rate)

    def make(start: int, stop: int) -> Block:
        tones = peak * np.sin(np.arange(start, stop)[:, None] * step)
        tones[:, 1] += amplitude(NOISE_DBFS) * noise(frames, 0.0, rate, seed=7)[start:stop]
        return tones.astype(np.float32)

    made = f"sines of {TONE_RMS_DBFS:g} dBFS RMS: {first_hz:g} Hz on one microphone, "
    made += f"{second_hz:g} Hz on the other, {DURATION_S:g} s, nobody speaks"
    return Signal(f"A-{first_hz:g}-{second_hz:g}", made, rate, 2, frames, make)
