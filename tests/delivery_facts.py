"""Facts of a good interview, for tests that change one thing about it."""

from dualmic.delivery import TakeFacts
from dualmic.record import (
    Check,
    Copy,
    Crosstalk,
    Leak,
    LineAtRisk,
    Loudness,
    Mic,
    Problem,
    Turn,
)
from dualmic.specs_file import load_spec

PODCAST, FILM = load_spec("podcast"), load_spec("film")


def a_mic(speech_lufs=-30.0, noise_dba=-75.0, to_noise_db=45.0, hum=None) -> Mic:
    loudness = Loudness(-30.0, -24.0, -26.0, 5.0, speech_lufs)
    return Mic(
        1, loudness, -8.0, -7.9, 1.0, 0, -70.0, noise_dba, -72.0, -68.0, to_noise_db, hum, 0.0, 90.0
    )


def a_leak(level_db=-20.0, bound=False, delay_ms=4.0, polarity="same") -> Leak:
    return Leak(level_db, bound, delay_ms, polarity, 30.0, [])


def a_problem(kind, mic, start_s=10.0, end_s=20.0) -> Problem:
    return Problem(
        1, kind, mic, 1, start_s, end_s, None, None, 1, "fail", None, None, None, "heard", "advice"
    )


def a_line(turn, because, usable) -> LineAtRisk:
    return LineAtRisk(turn, "subject", 3.0, 9.0, [because], Copy("TAKE-B", 2, 30.0, -30.0, usable))


TURNS = [
    Turn(1, "interviewer", 0.0, 3.0),
    Turn(2, "subject", 3.0, 9.0),
    Turn(3, "interviewer", 9.0, 12.0),
    Turn(4, "subject", 12.0, 40.0),
]


def facts(**changes) -> TakeFacts:
    """Facts of a good interview at 48 kHz and 24 bit, but for what the test changes."""
    good = {
        "mics": {"interviewer": a_mic(), "subject": a_mic()},
        "crosstalk": Crosstalk(a_leak(), a_leak(), 0.0),
        "turns": TURNS,
        "speech_peak_dbfs": {"interviewer": -15.0, "subject": -15.0},
        "sample_rate_hz": 48000,
        "bit_depth": 24,
    }
    return TakeFacts(**{**good, **changes})


def check_of(delivery, check_id, mic=None) -> Check:
    (found,) = [c for c in delivery.checks if c.id == check_id and c.mic == mic]
    return found
