"""A made-up interview on two microphones, in which every level, delay and hum is known.

What each microphone holds: its wearer's voice, the other's voice weaker and later (crosstalk),
noise of a known RMS, and hum lines where asked for. Voices and noise are the same every time.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from reference_signals.signal import Block, Encoding, Signal
from reference_signals.tones import amplitude
from reference_signals.voices import CONVERSATION_S, Samples, conversation

NOISE_BAND_HZ = (20.0, 20000.0)


@dataclass(frozen=True)
class HumLine:
    """A sine of ``level_dbfs`` RMS re full scale 1.0 on one microphone (0 or 1)."""

    mic: int
    frequency_hz: float
    level_dbfs: float


@dataclass(frozen=True)
class SetUp:
    """How the two microphones stand. Pairs are (interviewer, subject).

    ``leak_db`` is (interviewer into subject, subject into interviewer), re the same voice in its
    own microphone; ``leak_delay`` the same for the time each leak arrives after the voice, in
    frames. ``link_delay`` frames are added to everything the subject's microphone hears, as a
    wireless link does. ``noise_slope_db`` per octave: 0 is white, -3 pink. ``ceiling`` cuts the
    waveform off there; ``turned_db`` is the gain after that.
    """

    speech_dbfs: tuple[float, float] = (-26.0, -26.0)
    noise_dbfs: tuple[float, float] = (-72.0, -72.0)
    noise_slope_db: float = 0.0
    leak_db: tuple[float, float] | None = None
    leak_delay: tuple[int, int] = (0, 0)
    link_delay: int = 0
    subject_inverted: bool = False
    hum: tuple[HumLine, ...] = ()
    ceiling: float | None = None
    turned_db: float = 0.0


def interview(set_up: SetUp, sample_rate_hz: int = 48000) -> Samples:
    """Return the made voices' take of ``set_up``, ``(frames, 2)``, before any rounding."""
    return recorded(conversation(sample_rate_hz), set_up, sample_rate_hz)


def recorded(voices: tuple[Samples, Samples], set_up: SetUp, sample_rate_hz: int) -> Samples:
    """Return two voices as ``set_up`` records them; each voice is dry and of RMS 1.0 in speech."""
    interviewer, subject = (
        voice * amplitude(level) for voice, level in zip(voices, set_up.speech_dbfs, strict=True)
    )
    mics = np.stack([interviewer, subject], axis=1)
    if set_up.leak_db is not None:
        into_subject, into_interviewer = (amplitude(level) for level in set_up.leak_db)
        mics[:, 1] += into_subject * _later(interviewer, set_up.leak_delay[0])
        mics[:, 0] += into_interviewer * _later(subject, set_up.leak_delay[1])
    mics[:, 1] = _later(mics[:, 1], set_up.link_delay)
    time_s = np.arange(len(mics)) / sample_rate_hz
    for line in set_up.hum:
        peak = amplitude(line.level_dbfs) * np.sqrt(2)
        mics[:, line.mic] += peak * np.sin(2 * np.pi * line.frequency_hz * time_s)
    for mic, level in enumerate(set_up.noise_dbfs):
        hiss = noise(len(mics), set_up.noise_slope_db, sample_rate_hz, seed=101 + mic)
        mics[:, mic] += amplitude(level) * hiss
    if set_up.subject_inverted:
        mics[:, 1] *= -1
    if set_up.ceiling is not None:
        mics = np.clip(mics, -set_up.ceiling, set_up.ceiling)
    return mics * amplitude(set_up.turned_db)


@lru_cache(maxsize=4)
def noise(frames: int, slope_db: float, sample_rate_hz: int, *, seed: int) -> Samples:
    """Return noise of RMS 1.0 that lies wholly within 20 Hz to 20 kHz, ``(frames,)``."""
    rng = np.random.default_rng(seed)
    bins = np.fft.rfftfreq(frames, 1 / sample_rate_hz)
    inside = (bins >= NOISE_BAND_HZ[0]) & (bins <= NOISE_BAND_HZ[1])
    heights = np.zeros(len(bins))
    heights[inside] = (bins[inside] / 1000.0) ** (slope_db / 6.0206)
    spectrum = heights * np.exp(2j * np.pi * rng.random(len(bins)))
    sound = np.fft.irfft(spectrum, frames)
    return sound / np.sqrt(np.mean(sound**2))


class LazyTake:
    """The ``make`` of a :class:`signal.Signal`: builds the interview when first asked."""

    def __init__(self, set_up: SetUp, sample_rate_hz: int) -> None:
        """Keep the settings; nothing is made yet."""
        self._set_up = set_up
        self._sample_rate_hz = sample_rate_hz
        self._samples: Block | None = None

    def __call__(self, start: int, stop: int) -> Block:
        """Return frames ``start`` to ``stop``; forget the take once its end was given."""
        if self._samples is None:
            self._samples = interview(self._set_up, self._sample_rate_hz).astype(np.float32)
        block = self._samples[start:stop]
        if stop >= len(self._samples):
            self._samples = None
        return block


def take(
    name: str,
    made: str,
    set_up: SetUp,
    sample_rate_hz: int = 48000,
    encoding: Encoding = "wav-float",
) -> Signal:
    """Return the take of ``set_up`` as a signal."""
    frames = round(CONVERSATION_S * sample_rate_hz)
    make = LazyTake(set_up, sample_rate_hz)
    return Signal(name, made, sample_rate_hz, 2, frames, make, encoding)


def _later(sound: Samples, frames: int) -> Samples:
    """Return ``sound`` moved ``frames`` later, its length kept."""
    return np.concatenate([np.zeros(frames), sound[: len(sound) - frames]])
