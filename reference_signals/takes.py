"""Rows that no loudness standard covers: noise floor, crosstalk, hum and clipping of a known take.

The expected values are how the take was made. The tolerances are the project's goal figures (our
choice): what still tells two recordings apart, and no more than a careful meter reaches.
"""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from reference_signals.interview import HumLine, SetUp, interview, take
from reference_signals.signal import Encoding, Row, Signal
from reference_signals.weighting import a_weighting_db

RATE_HZ = 48000
ONE_SAMPLE_MS = 1000 / RATE_HZ
MADE = "as the take was made: reference_signals/interview.py (own definitions)"
LEVEL_TOLERANCE_DB = 0.3
HUM_TOLERANCE_HZ = 0.02
HUM_TOLERANCE_DB = 0.5
CLIPPED_TOLERANCE = 0.02  # of the clipped samples
SHORTEST_TOP = 3
ROLES = ("interviewer", "subject")
ENCODINGS: tuple[Encoding, Encoding, Encoding] = ("wav-16", "wav-24", "wav-float")


def rows() -> Iterator[Row]:
    """Yield every row of this module."""
    yield from noise_rows()
    yield from crosstalk_rows()
    yield from hum_rows()
    yield from clipping_rows()


def _row(
    number: str, signal: Signal, quantity: str, expected: float, tolerance: float, unit: str
) -> Row:
    return Row(number, signal, quantity, float(expected), tolerance, tolerance, unit, MADE)


def a_weighted_noise_db(slope_db: float) -> float:
    """Return how much A-weighting changes noise of 20 Hz to 20 kHz with ``slope_db`` per octave."""
    frequency_hz = np.arange(20.0, 20000.5, 0.5)
    power = (frequency_hz / 1000) ** (slope_db / 3.0103)
    weighted = power * 10 ** (a_weighting_db(frequency_hz) / 10)
    return float(10 * np.log10(weighted.sum() / power.sum()))


def noise_rows() -> Iterator[Row]:
    """Yield noise floors of known RMS, plain and A-weighted, white and pink."""
    for name, slope_db, levels in (
        ("white", 0.0, (-62.0, -75.0)),
        ("pink", -3.0103, (-50.0, -66.0)),
    ):
        signal = take(
            f"noise-{name}",
            f"two people talk over {name} noise, 20 Hz to 20 kHz, of {levels[0]:g} and "
            f"{levels[1]:g} dBFS RMS",
            SetUp(noise_dbfs=levels, noise_slope_db=slope_db),
        )
        for role, level in zip(ROLES, levels, strict=True):
            number = f"noise {name}"
            yield _row(
                number,
                signal,
                f"mics.{role}.noise_floor_dbfs",
                level,
                LEVEL_TOLERANCE_DB,
                "dBFS",
            )
            yield _row(
                number,
                signal,
                f"mics.{role}.noise_floor_dba",
                level + a_weighted_noise_db(slope_db),
                LEVEL_TOLERANCE_DB,
                "dB(A)FS",
            )


def crosstalk_rows() -> Iterator[Row]:
    """Yield crosstalk of known level, delay and polarity, each way, above noise and under it."""
    set_ups = {
        "near": SetUp(leak_db=(-9.0, -12.0), leak_delay=(168, 168)),
        "far": SetUp(leak_db=(-18.0, -22.0), leak_delay=(300, 300), noise_dbfs=(-66.0, -70.0)),
        "wireless": SetUp(leak_db=(-12.0, -14.0), leak_delay=(240, 240), link_delay=264),
        "inverted": SetUp(leak_db=(-10.0, -13.0), leak_delay=(120, 150), subject_inverted=True),
    }
    for name, set_up in set_ups.items():
        assert set_up.leak_db is not None
        signal = take(f"leak-{name}", _in_words(set_up), set_up)
        delays = (
            set_up.leak_delay[0] + set_up.link_delay,
            set_up.leak_delay[1] - set_up.link_delay,
        )
        polarity = -1.0 if set_up.subject_inverted else 1.0
        number = f"leak {name}"
        for way, level, delay in zip(
            ("interviewer_into_subject", "subject_into_interviewer"),
            set_up.leak_db,
            delays,
            strict=True,
        ):
            leak = f"crosstalk.{way}."
            yield _row(number, signal, leak + "level_db", level, LEVEL_TOLERANCE_DB, "dB")
            yield _row(
                number, signal, leak + "delay_ms", delay * ONE_SAMPLE_MS, ONE_SAMPLE_MS, "ms"
            )
            yield _row(number, signal, leak + "polarity", polarity, 0.0, "sign")
        latency_ms = (delays[0] - delays[1]) / 2 * ONE_SAMPLE_MS
        yield _row(number, signal, "crosstalk.latency_ms", latency_ms, ONE_SAMPLE_MS, "ms")
    buried = SetUp(leak_db=(-48.0, -50.0), leak_delay=(168, 168), noise_dbfs=(-55.0, -55.0))
    signal = take("leak-buried", _in_words(buried), buried)
    for way in ("interviewer_into_subject", "subject_into_interviewer"):
        quantity = f"crosstalk.{way}.is_upper_bound"
        yield _row("leak buried", signal, quantity, 1.0, 0.0, "yes=1")


def _in_words(set_up: SetUp) -> str:
    assert set_up.leak_db is not None
    into_subject, into_interviewer = set_up.leak_db
    words = (
        f"the interviewer's voice {into_subject:g} dB in the subject's microphone, "
        f"{set_up.leak_delay[0]} samples later, the other way {into_interviewer:g} dB and "
        f"{set_up.leak_delay[1]} samples; noise {set_up.noise_dbfs[0]:g} and "
        f"{set_up.noise_dbfs[1]:g} dBFS"
    )
    if set_up.link_delay:
        words += f"; the subject's link {set_up.link_delay} samples late"
    if set_up.subject_inverted:
        words += "; the subject's microphone inverted"
    return words


def hum_rows() -> Iterator[Row]:
    """Yield mains hum of known frequency and level, with its second and third harmonic."""
    for frequencies_hz in ((50.0, 60.0), (49.9, 60.05)):
        lines, levels = [], []
        for mic, frequency_hz in enumerate(frequencies_hz):
            level = -46.0 - 6 * mic
            parts = [(1, level), (2, level - 6), (3, level - 10)]
            lines += [HumLine(mic, k * frequency_hz, part) for k, part in parts]
            levels.append(10 * np.log10(sum(10 ** (part / 10) for _, part in parts)))
        name = f"hum-{frequencies_hz[0]:g}-{frequencies_hz[1]:g}"
        signal = take(
            name,
            f"two people talk over noise and hum with two harmonics: {frequencies_hz[0]:g} Hz on "
            f"one microphone, {frequencies_hz[1]:g} Hz on the other",
            SetUp(hum=tuple(lines)),
        )
        for role, frequency_hz, level in zip(ROLES, frequencies_hz, levels, strict=True):
            number = f"hum {frequency_hz:g} Hz"
            hum = f"mics.{role}.hum."
            yield _row(number, signal, hum + "frequency_hz", frequency_hz, HUM_TOLERANCE_HZ, "Hz")
            yield _row(number, signal, hum + "level_dbfs", level, HUM_TOLERANCE_DB, "dBFS")


def _flat_samples(channel: np.ndarray) -> int:
    """Count the samples at full scale in tops of three or more: shorter ones look like any peak."""
    top = np.abs(channel) == 1.0
    edges = np.flatnonzero(np.diff(top.astype(np.int8), prepend=0, append=0))
    lengths = edges[1::2] - edges[::2]
    return int(lengths[lengths >= SHORTEST_TOP].sum())


def clipping_rows() -> Iterator[Row]:
    """Yield takes with a known number of flat-topped samples, at full scale and below, and none."""
    cut = SetUp(speech_dbfs=(-7.0, -9.0), noise_dbfs=(-60.0, -60.0), ceiling=1.0)
    flat = [_flat_samples(channel) for channel in interview(cut).T]
    for name, turned_db, encoding in (
        ("full scale", 0.0, ENCODINGS[1]),
        ("below", -7.0, ENCODINGS[0]),
    ):
        signal = take(
            f"clip {name}",
            "loud voices cut off at full scale, tops of three samples and more counted, then "
            f"turned by {turned_db:g} dB",
            replace(cut, turned_db=turned_db),
            encoding=encoding,
        )
        for role, count in zip(ROLES, flat, strict=True):
            tolerance = max(1.0, CLIPPED_TOLERANCE * count)
            quantity = f"mics.{role}.clipped_samples"
            yield _row(f"clip {name}", signal, quantity, count, tolerance, "samples")
    for name, speech_dbfs, encoding in (
        ("none 16 bit", (-60.0, -66.0), ENCODINGS[0]),
        ("none float", (-8.0, -6.0), ENCODINGS[2]),
    ):
        signal = take(
            f"clip {name}",
            f"voices nowhere cut off, {speech_dbfs[0]:g} and {speech_dbfs[1]:g} dBFS RMS",
            SetUp(speech_dbfs=speech_dbfs, noise_dbfs=(-84.0, -84.0)),
            encoding=encoding,
        )
        for role in ROLES:
            quantity = f"mics.{role}.clipped_samples"
            yield _row(f"clip {name}", signal, quantity, 0, 0.0, "samples")
