"""Two made-up voices: speech-like sound whose every word and pause is known.

A syllable is a harmonic complex (a voice's gliding pitch under three resonances) that swells and
fades, often led by a short burst of hiss as consonants are; syllables make phrases with breaths of
a quarter of a second between them, phrases make turns. It says nothing, but it has what meters of
speech look for: a syllable rhythm of about four a second, pitch, a falling spectrum, and sound up
to 8 kHz. All of it is our own choice, none of it copied from a person.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from reference_signals.tones import fade

Samples = NDArray[np.floating]

# Resonances of a few vowels in Hz, rounded from the means that phonetics books give (from memory).
VOWELS_HZ = (
    (700, 1200, 2600),
    (530, 1850, 2500),
    (300, 2250, 3000),
    (570, 850, 2450),
    (320, 900, 2300),
    (500, 1500, 2500),
)
RESONANCE_WIDTH_HZ = (60.0, 80.0, 120.0)
TOP_HARMONIC_HZ = 5500.0


@dataclass(frozen=True)
class Voice:
    """A speaker: mean pitch, how long the throat is (scales the resonances), and a seed."""

    pitch_hz: float
    resonance_scale: float
    seed: int


@dataclass(frozen=True)
class Turn:
    """A stretch of a voice, in seconds from the start."""

    start_s: float
    end_s: float


INTERVIEWER = Voice(pitch_hz=190.0, resonance_scale=1.1, seed=11)
SUBJECT = Voice(pitch_hz=112.0, resonance_scale=1.0, seed=23)

# Question and answer twice, 1.4 to 2 s apart, and 4 s at the end in which nobody speaks.
INTERVIEWER_TURNS = (Turn(2.0, 5.0), Turn(14.0, 16.6))
SUBJECT_TURNS = (Turn(6.5, 12.4), Turn(18.2, 24.0))
CONVERSATION_S = 28.0


def speech(voice: Voice, turns: Sequence[Turn], duration_s: float, sample_rate_hz: int) -> Samples:
    """Return ``voice`` speaking in ``turns`` and silent between them, ``(frames,)``.

    Its RMS over the turns, breaths included, is 1.0. Each turn begins and ends with sound, at its
    start and end to the sample.
    """
    rng = np.random.default_rng(voice.seed)
    sound = np.zeros(round(duration_s * sample_rate_hz))
    spoken = 0
    for turn in turns:
        start, end = round(turn.start_s * sample_rate_hz), round(turn.end_s * sample_rate_hz)
        at, spoken = start, spoken + end - start
        left_in_phrase = int(rng.integers(6, 11))
        while at < end:
            length = min(round(rng.uniform(0.13, 0.27) * sample_rate_hz), end - at)
            if end - at - length < 0.12 * sample_rate_hz:
                length = end - at
            sound[at : at + length] += _syllable(voice, length, sample_rate_hz, rng)
            gap_s = rng.uniform(0.01, 0.05)
            left_in_phrase -= 1
            if left_in_phrase == 0:
                gap_s, left_in_phrase = rng.uniform(0.2, 0.3), int(rng.integers(6, 11))
            at += length
            if end - at > (gap_s + 0.13) * sample_rate_hz:
                at += round(gap_s * sample_rate_hz)
    return sound / np.sqrt(np.sum(sound**2) / spoken)


@lru_cache(maxsize=4)
def conversation(sample_rate_hz: int = 48000) -> tuple[Samples, Samples]:
    """Return the interviewer's and the subject's voice, each alone and dry."""
    return (
        speech(INTERVIEWER, INTERVIEWER_TURNS, CONVERSATION_S, sample_rate_hz),
        speech(SUBJECT, SUBJECT_TURNS, CONVERSATION_S, sample_rate_hz),
    )


def _syllable(voice: Voice, frames: int, rate: int, rng: np.random.Generator) -> Samples:
    """Return one syllable of ``frames`` samples: hiss, then a vowel that swells and fades."""
    resonances_hz = np.array(VOWELS_HZ[int(rng.integers(len(VOWELS_HZ)))]) * voice.resonance_scale
    pitch_hz = voice.pitch_hz * rng.uniform(0.85, 1.25)
    glide = np.linspace(1.0, rng.uniform(0.85, 1.1), frames)
    phase = np.cumsum(pitch_hz * glide) * 2 * np.pi / rate + rng.uniform(0, 2 * np.pi)
    top_hz = min(TOP_HARMONIC_HZ, 0.45 * rate / 1.1)
    harmonics = np.arange(1, int(top_hz / pitch_hz) + 1)
    heights = _spectrum(harmonics * pitch_hz, resonances_hz)
    next_hz = np.array(VOWELS_HZ[int(rng.integers(len(VOWELS_HZ)))]) * voice.resonance_scale
    towards = _spectrum(harmonics * pitch_hz, next_hz)
    lines = np.sin(harmonics[:, None] * phase)
    mix = np.linspace(0.0, 1.0, frames)
    vowel = (heights @ lines) * (1 - mix) + (towards @ lines) * mix
    vowel *= np.sin(np.pi * np.linspace(0.0, 1.0, frames)) ** 0.6 * rng.uniform(0.6, 1.0)
    hiss = rng.standard_normal(frames)
    hiss = np.diff(hiss, prepend=0.0)  # brighter than white, as consonants are
    share = np.where(np.arange(frames) < 0.3 * frames, rng.choice([0.02, 0.15, 0.3]), 0.015)
    smooth = fade(frames, max(1, round(0.012 * rate)))
    return (vowel + share * np.abs(heights).max() * hiss) * smooth


def _spectrum(frequencies_hz: Samples, resonances_hz: Samples) -> Samples:
    """Return the height of each harmonic: three resonances over a source falling 12 dB/octave."""
    total = np.zeros(len(frequencies_hz))
    for centre_hz, width_hz, height in zip(
        resonances_hz, RESONANCE_WIDTH_HZ, (1.0, 0.6, 0.3), strict=True
    ):
        total += height / (1 + ((frequencies_hz - centre_hz) / width_hz) ** 2)
    return (total + 0.003) * (frequencies_hz / 100.0) ** -0.3
