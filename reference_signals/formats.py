"""Sample rates and file formats: the same sound must read the same however it is stored.

At every sample rate a sum of three tones must read what the filter published for 48 kHz makes of
it, and a sine between the samples its true peak. In every format a 1 kHz tone reads its loudness
and its peak; AAC is lossy and has a tolerance of its own (our choice).
"""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from reference_signals.ebu import TRUE_PEAK_TAPER_S
from reference_signals.signal import Encoding, Row, Signal, from_samples
from reference_signals.tones import Tone, faded_sine, multitone, tone_sequence

SAMPLE_RATES_HZ = (8000, 16000, 32000, 44100, 48000, 88200, 96000, 192000)
TONES_HZ = (125.0, 997.0, 2500.0)
TONE_PEAK_DBFS = -26.0
LOUDNESS_SOURCE = "ITU-R BS.1770-5 annex 1, Tables 1 and 2 and eq. 2, at the tones' frequencies"
PEAK_SOURCE = "EBU Tech 3341 (2023), 2.9, Table 1, case 16 at every sample rate"
FORMAT_SOURCE = "EBU Tech 3341 (2023), 2.9, Table 1, case 1 in every format"

# ITU-R BS.1770-5 annex 1, Tables 1 and 2: numerator and denominator of both filters at 48 kHz.
BS1770_FILTERS = (
    ((1.53512485958697, -2.69169618940638, 1.19839281085285),
     (1.0, -1.69065929318241, 0.73248077421585)),
    ((1.0, -2.0, 1.0), (1.0, -1.99004745483398, 0.99007225036621)),
)  # fmt: skip

LOSSLESS: tuple[Encoding, ...] = (
    "wav-16",
    "wav-24",
    "wav-32",
    "wav-float",
    "flac-24",
    "alac-16",
    "alac-24",
    "mov-24",
)


def k_weighting_db(frequency_hz: float) -> float:
    """Return the gain of BS.1770's published 48 kHz filters at a frequency."""
    z1 = np.exp(-2j * np.pi * frequency_hz / 48000) ** np.arange(3)
    gain = np.prod([np.dot(b, z1) / np.dot(a, z1) for b, a in BS1770_FILTERS])
    return float(20 * np.log10(abs(gain)))


def multitone_lufs() -> float:
    """Return the loudness of the three tones in two channels (BS.1770-5 annex 1, eq. 1 and 2)."""
    power = sum(10 ** ((TONE_PEAK_DBFS + k_weighting_db(hz)) / 10) / 2 for hz in TONES_HZ)
    return float(-0.691 + 10 * np.log10(2 * power))


def rows() -> Iterator[Row]:
    """Yield every row of this module."""
    for rate in SAMPLE_RATES_HZ:
        yield from rate_rows(rate)
    for encoding in LOSSLESS:
        yield from format_rows(encoding, 0.1, 0.1)
    yield from format_rows("aac", 0.2, 0.5)


def rate_rows(rate: int) -> Iterator[Row]:
    """Yield loudness and true peak at one sample rate."""
    name = f"{rate / 1000:g} kHz"
    tones = multitone(
        f"rate-{rate}",
        "sines at " + ", ".join(f"{hz:g}" for hz in TONES_HZ) + f" Hz, {TONE_PEAK_DBFS:g} dBFS "
        f"peak each, both channels, 5 s at {name}",
        TONES_HZ,
        TONE_PEAK_DBFS,
        duration_s=5.0,
        sample_rate_hz=rate,
    )
    yield Row(
        name,
        tones,
        "programme.integrated_lufs",
        multitone_lufs(),
        0.1,
        0.1,
        "LUFS",
        LOUDNESS_SOURCE,
    )
    sine = faded_sine(4, 0.5, 45.0, rate, round(TRUE_PEAK_TAPER_S * rate))
    peak = Signal(
        f"rate-{rate}-peak",
        f"sine at fs/4, amplitude 0.5, phase 45 degrees, 1 s at {name}",
        rate,
        2,
        len(sine),
        from_samples(np.repeat(sine[:, None], 2, axis=1)),
    )
    yield Row(name, peak, "programme.true_peak_dbtp", -6.0, 0.4, 0.2, "dBTP", PEAK_SOURCE)


def format_rows(encoding: Encoding, loudness_lu: float, peak_db: float) -> Iterator[Row]:
    """Yield loudness, sample peak and true peak of the 1 kHz tone in one format."""
    signal = replace(
        tone_sequence(
            f"format-{encoding}",
            f"1 kHz, -23 dBFS peak, both channels in phase, 4 s, as {encoding}",
            [Tone(4, -23)],
        ),
        encoding=encoding,
    )
    for quantity, tolerance, unit in (
        ("programme.integrated_lufs", loudness_lu, "LUFS"),
        ("mics.interviewer.sample_peak_dbfs", peak_db, "dBFS"),
        ("mics.interviewer.true_peak_dbtp", peak_db, "dBTP"),
    ):
        yield Row(encoding, signal, quantity, -23.0, tolerance, tolerance, unit, FORMAT_SOURCE)
