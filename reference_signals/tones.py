"""Sequences of sine tones and silences, as the EBU tables describe them."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from reference_signals.signal import Block, Signal

TONE_HZ = 1000.0


@dataclass(frozen=True)
class Tone:
    """A stretch of sine at ``peak_dbfs`` (peak re full scale); ``None`` is silence."""

    duration_s: float
    peak_dbfs: float | None


def amplitude(peak_dbfs: float) -> float:
    """Return the peak amplitude of a level in dB re full scale 1.0."""
    return float(10 ** (peak_dbfs / 20))


def tone_sequence(
    name: str,
    made: str,
    tones: Sequence[Tone],
    *,
    sample_rate_hz: int = 48000,
    channel_gains_db: Sequence[float] = (0.0, 0.0),
    frequency_hz: float = TONE_HZ,
) -> Signal:
    """Return a 1 kHz tone whose level steps, the same in every channel but for its gain.

    The sine's phase runs on through the steps. The tables' lengths are whole milliseconds, so
    every step of a 1 kHz tone falls on a zero crossing and adds no click of its own.
    """
    edges = np.cumsum([0] + [round(t.duration_s * sample_rate_hz) for t in tones])
    levels = np.array([0.0 if t.peak_dbfs is None else amplitude(t.peak_dbfs) for t in tones])
    gains = np.array([amplitude(gain) for gain in channel_gains_db])

    def make(start: int, stop: int) -> Block:
        sine = np.sin(2 * np.pi * frequency_hz / sample_rate_hz * np.arange(start, stop))
        for level, low, high in zip(levels, edges[:-1], edges[1:], strict=True):
            sine[max(low - start, 0) : max(high - start, 0)] *= level
        return (sine[:, None] * gains).astype(np.float32)

    return Signal(name, made, sample_rate_hz, len(gains), int(edges[-1]), make)


def multitone(
    name: str,
    made: str,
    frequencies_hz: Sequence[float],
    peak_dbfs: float,
    *,
    duration_s: float,
    sample_rate_hz: int,
) -> Signal:
    """Return the sum of sines of one level each, the same in both channels.

    Each sine starts a different part of its cycle so that their peaks do not pile up at zero.
    """
    phases = np.arange(len(frequencies_hz)) * 2.4  # radians; any spread does

    def make(start: int, stop: int) -> Block:
        time_s = np.arange(start, stop) / sample_rate_hz
        total = np.zeros(stop - start)
        for frequency_hz, phase in zip(frequencies_hz, phases, strict=True):
            total += np.sin(2 * np.pi * frequency_hz * time_s + phase)
        return np.repeat((amplitude(peak_dbfs) * total)[:, None], 2, axis=1).astype(np.float32)

    return Signal(name, made, sample_rate_hz, 2, round(duration_s * sample_rate_hz), make)


def faded_sine(
    divisor: float, peak: float, phase_deg: float, frames: int, fade_frames: int
) -> np.ndarray:
    """Return a sine of ``divisor`` samples a cycle with straight fades at both ends."""
    sine = peak * np.sin(2 * np.pi * np.arange(frames) / divisor + np.radians(phase_deg))
    return sine * fade(frames, fade_frames)


def fade(frames: int, fade_frames: int) -> np.ndarray:
    """Return a gain that rises from 0 over ``fade_frames``, stays at 1, and falls to 0 again."""
    rise = np.arange(frames) / fade_frames
    return np.clip(np.minimum(rise, rise[::-1]), 0.0, 1.0)
