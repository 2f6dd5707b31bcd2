"""What is loud under an answer and goes by: nobody pauses for it, so no pause shows it."""

import numpy as np
import pytest
import speech_scene
from scipy import signal
from speech_scene import RATE_HZ, SUBJECT

from dualmic.findings.base import Limits
from dualmic.findings.passing import _told, passing_noise
from dualmic.hearing import hear
from dualmic.measure import measure


def rumbling(frames: int, channels: int) -> np.ndarray:
    """Return low noise of mean square 1 that swells and dies away, ``(frames, channels)``."""
    noise = np.random.default_rng(2).standard_normal((frames, channels))
    low = signal.sosfilt(signal.butter(1, 700, fs=RATE_HZ, output="sos"), noise, axis=0)
    return low / low.std() * np.hanning(frames)[:, None] ** 0.5


def test_an_aircraft_under_an_answer_is_told() -> None:
    """3 dB under the words, from a second before the answer to a second after it."""
    scene = speech_scene.make(4)
    start_s, end_s = scene.answers()[0]
    part = slice(round(start_s * RATE_HZ), round(end_s * RATE_HZ))
    around = slice(part.start - RATE_HZ, part.stop + RATE_HZ)
    noise = 10 ** (-3 / 20) * scene.samples[part, SUBJECT].std()
    scene.samples[around] += noise * rumbling(around.stop - around.start, 2)
    heard = hear(measure([scene.samples.astype(np.float32)], RATE_HZ, 2, bit_depth=24))
    (told,) = passing_noise(heard, Limits())
    assert (told.kind, told.mic, told.severity) == ("noise", SUBJECT, "warn")
    assert start_s - 1.0 <= told.start_s < told.end_s <= end_s + 1.0
    assert told.end_s - told.start_s > 0.6 * (end_s - start_s)
    assert told.value == pytest.approx(3.0, abs=2.0)
    assert told.spoils


LEAK_DB = -20.0  # as it is all through the take
WORDS = 10 * np.log10(np.random.default_rng(1).uniform(0.2, 1.0, 60))  # levels of 50 ms
HISS = np.random.default_rng(2).normal(-8.0, 0.7, 60)
NEVER, PART = np.zeros(60, bool), np.arange(60) < 15


@pytest.mark.parametrize(
    ("words", "other", "talks", "gone", "told"),
    [
        (WORDS, HISS, NEVER, NEVER, True),
        (WORDS, WORDS - 6.0, NEVER, NEVER, False),  # they turned round, or a gain was turned up
        (WORDS, HISS - 11.0, NEVER, NEVER, False),  # no louder than the leak
        (WORDS, np.where(PART, -40.0, HISS), NEVER, NEVER, False),  # bursts with gaps
        (np.where(PART, -30.0, WORDS), HISS, NEVER, NEVER, False),  # silence between words
        (WORDS, HISS, PART, NEVER, False),  # the other person's words
        (WORDS, HISS, NEVER, PART, False),  # wind
    ],
)
def test_what_passes_is_loud_without_gaps_and_moves_by_itself(
    words: np.ndarray, other: np.ndarray, talks: np.ndarray, gone: np.ndarray, told: bool
) -> None:
    rows = [row[None] for row in (words, other, words > -6.0, talks, gone)]
    assert _told(rows, LEAK_DB).tolist() == [told]
