"""Two people in a room, made from the open recordings: a scene whose every level is known.

Levels are simple on purpose (a leak is a filter of a few taps, noise is white), so that the truth
is arithmetic. Realistic rooms are in ``tests/scenes``.
"""

from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

import numpy as np
import soundfile as sf
from scipy.signal import resample_poly

RATE_HZ = 48000
SPEECH = Path(__file__).parent / "data" / "speech"
INTERVIEWER, SUBJECT = 0, 1


@lru_cache
def utterances() -> tuple[tuple[np.ndarray, ...], tuple[np.ndarray, ...]]:
    """Return the utterances of the two speakers at 48 kHz, each brought to -26 dBFS RMS."""
    people = []
    for speaker in ("aew", "axb"):
        voices = []
        for path in sorted(SPEECH.glob(f"*{speaker}*.flac")):
            samples, rate = sf.read(path)
            voice = resample_poly(samples, RATE_HZ, rate)
            voices.append(voice / np.sqrt(np.mean(voice**2)) * 10 ** (-26 / 20))
        people.append(tuple(voices))
    return people[0], people[1]


@lru_cache(maxsize=1)
def _long_white(seed: int, frames: int) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal((frames, 2))


def _white(seed: int, frames: int) -> np.ndarray:
    """Return white noise ``(frames, 2)`` of unit power; the start of one long draw."""
    return _long_white(seed, max(frames, 90 * RATE_HZ))[:frames]


@dataclass
class Scene:
    """Samples ``(frames, 2)``, the clean voices by microphone, and each utterance's place."""

    samples: np.ndarray
    voices: np.ndarray
    noise: np.ndarray
    spoken: list[tuple[int, float, float]] = field(default_factory=list)

    def write(self, path: Path, subtype: str = "PCM_24", rate_hz: int = RATE_HZ) -> Path:
        """Write the scene as a sound file."""
        sf.write(path, np.clip(self.samples, -1, 1 - 2**-23), rate_hz, subtype=subtype)
        return path

    def answers(self) -> list[tuple[float, float]]:
        """Return (start_s, end_s) of what the subject says."""
        return [(start, end) for who, start, end in self.spoken if who == SUBJECT]


def make(
    rounds: int = 4,
    *,
    leak_db: float | None = -14.0,
    delay_ms: float = 3.0,
    noise_dbfs: float = -70.0,
    gap_s: float = 1.2,
    gains_db: tuple[float, float] = (0.0, 0.0),
    invert_subject: bool = False,
    speakers: tuple[int, ...] = (INTERVIEWER, SUBJECT),
    seed: int = 1,
) -> Scene:
    """Return ``rounds`` of question and answer; every turn is two utterances a fifth apart."""
    made = _made(
        rounds, leak_db, delay_ms, noise_dbfs, gap_s, gains_db, invert_subject, speakers, seed
    )
    return Scene(made.samples.copy(), made.voices.copy(), made.noise.copy(), list(made.spoken))


@lru_cache(maxsize=2)  # tests that stand together often begin with the same scene
def _made(
    rounds: int,
    leak_db: float | None,
    delay_ms: float,
    noise_dbfs: float,
    gap_s: float,
    gains_db: tuple[float, float],
    invert_subject: bool,
    speakers: tuple[int, ...],
    seed: int,
) -> Scene:
    people = utterances()
    parts: list[tuple[int, np.ndarray]] = []
    for number in range(rounds):
        for who in speakers:
            own = people[who]
            pause = np.zeros(RATE_HZ // 5)
            said = [own[(number + k) % len(own)] for k in range(2)]
            parts.append((who, np.concatenate([said[0], pause, said[1]])))
    gap = round(gap_s * RATE_HZ)
    total = gap + sum(len(voice) + gap for _, voice in parts)
    voices = np.zeros((total, 2))
    spoken, at = [], gap
    for who, voice in parts:
        voices[at : at + len(voice), who] += voice
        spoken.append((who, at / RATE_HZ, (at + len(voice)) / RATE_HZ))
        at += len(voice) + gap
    heard = voices.copy()
    if leak_db is not None:
        shift = round(delay_ms * RATE_HZ / 1000)
        leak = 10 ** (leak_db / 20) * np.roll(voices, shift, axis=0)
        heard += leak[:, ::-1]
    noise = _white(seed, total) * 10 ** (noise_dbfs / 20)
    heard = (heard + noise) * 10 ** (np.array(gains_db) / 20)
    if invert_subject:
        heard[:, SUBJECT] *= -1
    return Scene(heard, voices, noise, spoken)
