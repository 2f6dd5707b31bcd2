"""The test signals of EBU Tech 3341 (Table 1) and EBU Tech 3342 (Table 1).

The cases, their expected responses and tolerances follow EBU Tech 3341 and EBU Tech 3342, version 4
of November 2023 both; they were checked against public transcriptions of those tables. Cases 7 and
8 of the first and 5 and 6 of the second are recordings of real programmes that only the EBU can
give, so they are not here. Levels are sine peaks in dB re full scale, as in the tables.

One channel: BS.1770 adds the channels' powers, so either channel alone of a two-channel tone reads
10 log10(2) = 3.01 LU less; every case is read on one channel as well.
"""

from collections.abc import Iterator

import numpy as np

from reference_signals.signal import Row, Signal, from_samples
from reference_signals.tones import Tone, fade, faded_sine, tone_sequence

TECH_3341 = "EBU Tech 3341 (2023), 2.9, Table 1"
TECH_3342 = "EBU Tech 3342 (2023), Table 1"
ONE_CHANNEL_LU = -10 * float(np.log10(2))
PROGRAMME = "programme."
ONE_CHANNEL = "mics.interviewer.loudness."
TRUE_PEAK_TAPER_S = 0.010  # Tech 3341 case 15


def rows(sample_rate_hz: int = 48000) -> Iterator[Row]:
    """Yield every EBU case as rows, made at ``sample_rate_hz``."""
    yield from integrated_rows(sample_rate_hz)
    yield from short_term_rows(sample_rate_hz)
    yield from momentary_rows(sample_rate_hz)
    yield from true_peak_rows(sample_rate_hz)
    yield from range_rows(sample_rate_hz)


def _loudness(
    case: int,
    signal: Signal,
    quantity: str,
    expected_lufs: float,
    *,
    part: int = 1,
) -> Iterator[Row]:
    """Yield the row of a case for both channels together and for one channel alone."""
    number = f"3341-{case}"
    source = f"{TECH_3341} no. {case}"
    yield Row(number, signal, PROGRAMME + quantity, expected_lufs, 0.1, 0.1, "LUFS", source, part)
    yield Row(
        f"{number} mono",
        signal,
        ONE_CHANNEL + quantity,
        expected_lufs + ONE_CHANNEL_LU,
        0.1,
        0.1,
        "LUFS",
        f"{source}; channel sum of ITU-R BS.1770-5 annex 1",
        part,
    )


def integrated_rows(rate: int) -> Iterator[Row]:
    """Yield Tech 3341 cases 1 to 6: integrated loudness and its gates."""
    for case, level in ((1, -23.0), (2, -33.0)):
        made = f"1 kHz, {level:g} dBFS peak, both channels in phase, 20 s"
        signal = tone_sequence(f"3341-{case}", made, [Tone(20, level)], sample_rate_hz=rate)
        for quantity in ("integrated_lufs", "max_momentary_lufs", "max_short_term_lufs"):
            yield from _loudness(case, signal, quantity, level)
    sequences = {
        3: [Tone(10, -36), Tone(60, -23), Tone(10, -36)],
        4: [Tone(10, -72), Tone(10, -36), Tone(60, -23), Tone(10, -36), Tone(10, -72)],
        5: [Tone(20, -26), Tone(20.1, -20), Tone(20, -26)],
    }
    for case, tones in sequences.items():
        made = "1 kHz: " + ", ".join(f"{t.duration_s:g} s at {t.peak_dbfs:g} dBFS" for t in tones)
        signal = tone_sequence(f"3341-{case}", made, tones, sample_rate_hz=rate)
        yield from _loudness(case, signal, "integrated_lufs", -23.0)
    surround = tone_sequence(
        "3341-6",
        "1 kHz, 20 s, five channels: L and R -28, C -24, Ls and Rs -30 dBFS",
        [Tone(20, 0)],
        sample_rate_hz=rate,
        channel_gains_db=(-28, -28, -24, -30, -30),
    )
    yield Row(
        "3341-6",
        surround,
        PROGRAMME + "integrated_lufs",
        -23.0,
        0.1,
        0.1,
        "LUFS",
        f"{TECH_3341} no. 6",
    )


def short_term_rows(rate: int) -> Iterator[Row]:
    """Yield Tech 3341 cases 9 to 11: short-term loudness (3 s)."""
    steady = tone_sequence(
        "3341-9",
        "1 kHz: 1.34 s at -20, 1.66 s at -30 dBFS, five times",
        [Tone(1.34, -20), Tone(1.66, -30)] * 5,
        sample_rate_hz=rate,
    )
    yield from _loudness(9, steady, "max_short_term_lufs", -23.0)
    for i in range(20):
        signal = tone_sequence(
            f"3341-10-{i + 1}",
            f"{i * 0.15:.2f} s silence, 1 kHz at -23 dBFS for 3 s, 1 s silence",
            [Tone(i * 0.15, None), Tone(3, -23), Tone(1, None)],
            sample_rate_hz=rate,
        )
        yield from _loudness(10, signal, "max_short_term_lufs", -23.0, part=i + 1)
    for i in range(20):
        signal = tone_sequence(
            f"3341-11-{i + 1}",
            f"{i * 0.15:.2f} s silence, 1 kHz at {i - 38} dBFS for 3 s, {3 - i * 0.15:.2f} s "
            "silence (one of the twenty successive stretches)",
            [Tone(i * 0.15, None), Tone(3, i - 38), Tone(3 - i * 0.15, None)],
            sample_rate_hz=rate,
        )
        yield from _loudness(11, signal, "max_short_term_lufs", i - 38.0, part=i + 1)


def momentary_rows(rate: int) -> Iterator[Row]:
    """Yield Tech 3341 cases 12 to 14: momentary loudness (400 ms)."""
    steady = tone_sequence(
        "3341-12",
        "1 kHz: 0.18 s at -20, 0.22 s at -30 dBFS, twenty-five times",
        [Tone(0.18, -20), Tone(0.22, -30)] * 25,
        sample_rate_hz=rate,
    )
    yield from _loudness(12, steady, "max_momentary_lufs", -23.0)
    for i in range(20):
        signal = tone_sequence(
            f"3341-13-{i + 1}",
            f"{i * 20} ms silence, 1 kHz at -23 dBFS for 400 ms, 1 s silence",
            [Tone(i * 0.02, None), Tone(0.4, -23), Tone(1, None)],
            sample_rate_hz=rate,
        )
        yield from _loudness(13, signal, "max_momentary_lufs", -23.0, part=i + 1)
    for i in range(20):
        signal = tone_sequence(
            f"3341-14-{i + 1}",
            f"{i * 20} ms silence, 1 kHz at {i - 38} dBFS for 400 ms, {400 - i * 20} ms silence "
            "(one of the twenty successive stretches)",
            [Tone(i * 0.02, None), Tone(0.4, i - 38), Tone(0.4 - i * 0.02, None)],
            sample_rate_hz=rate,
        )
        yield from _loudness(14, signal, "max_momentary_lufs", i - 38.0, part=i + 1)


def true_peak_rows(rate: int) -> Iterator[Row]:
    """Yield Tech 3341 cases 15 to 23: true peak between the samples."""
    steady = (
        (15, 4, 0.50, 0.0, -6.0),
        (16, 4, 0.50, 45.0, -6.0),
        (17, 6, 0.50, 60.0, -6.0),
        (18, 8, 0.50, 67.5, -6.0),
        (19, 4, 1.41, 45.0, 3.0),
    )
    taper = round(TRUE_PEAK_TAPER_S * rate)
    for case, divisor, peak, phase_deg, expected in steady:
        sine = faded_sine(divisor, peak, phase_deg, rate, taper)
        made = f"sine at fs/{divisor}, amplitude {peak:g}, phase {phase_deg:g} degrees, 1 s"
        yield from _true_peak(case, made, sine, rate, expected)
    for case in (20, 21, 22, 23):
        made = (
            "sine at fs/6, amplitude 0.5, with one cycle at fs/4 of amplitude 1, made at 4 fs, "
            f"low-passed, every fourth sample from no. {case - 20}"
        )
        yield from _true_peak(case, made, _burst(rate, case - 20), rate, 0.0)


def _true_peak(
    case: int, made: str, channel: np.ndarray, rate: int, expected_dbtp: float
) -> Iterator[Row]:
    signal = Signal(
        f"3341-{case}",
        made,
        rate,
        2,
        len(channel),
        from_samples(np.repeat(channel[:, None], 2, axis=1)),
    )
    number, source = f"3341-{case}", f"{TECH_3341} no. {case}"
    for suffix, quantity in (
        ("", "programme.true_peak_dbtp"),
        (" mono", "mics.interviewer.true_peak_dbtp"),
    ):
        yield Row(number + suffix, signal, quantity, expected_dbtp, 0.4, 0.2, "dBTP", source)


def _burst(rate: int, offset: int) -> np.ndarray:
    """Return case 20 to 23: made at four times the rate, low-passed, one sample in four kept."""
    carrier_cycle, burst_cycle = 4 * 6, 4 * 4
    before = 4 * rate // 2 // carrier_cycle * carrier_cycle
    at_4fs = np.concatenate(
        [
            0.5 * np.sin(2 * np.pi * np.arange(before) / carrier_cycle),
            np.sin(2 * np.pi * np.arange(burst_cycle) / burst_cycle),
            0.5 * np.sin(2 * np.pi * np.arange(before) / carrier_cycle),
        ]
    )
    at_4fs *= fade(len(at_4fs), round(4 * TRUE_PEAK_TAPER_S * rate))
    # The table does not give the filter. This one is flat to 0.42 fs and 100 dB down from 0.5 fs.
    reach = 128
    delay = np.arange(-reach, reach + 1)
    lowpass = np.sinc(0.46 * delay / 2) * np.kaiser(2 * reach + 1, 10.0)
    filtered = np.convolve(at_4fs, lowpass / lowpass.sum(), mode="same")
    return filtered[offset::4]


def range_rows(rate: int) -> Iterator[Row]:
    """Yield Tech 3342 cases 1 to 4: loudness range."""
    sequences = {
        1: ([-20, -30], 10.0),
        2: ([-20, -15], 5.0),
        3: ([-40, -20], 20.0),
        4: ([-50, -35, -20, -35, -50], 15.0),
    }
    for case, (levels, expected_lu) in sequences.items():
        signal = tone_sequence(
            f"3342-{case}",
            "1 kHz, 20 s each at " + ", ".join(f"{level}" for level in levels) + " dBFS",
            [Tone(20, level) for level in levels],
            sample_rate_hz=rate,
        )
        number, source = f"3342-{case}", f"{TECH_3342} no. {case}"
        for suffix, quantity in (
            ("", PROGRAMME + "range_lu"),
            (" mono", ONE_CHANNEL + "range_lu"),
        ):
            yield Row(number + suffix, signal, quantity, expected_lu, 1.0, 1.0, "LU", source)
