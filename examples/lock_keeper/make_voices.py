"""Speaks the demo's lines with espeak-ng into ``voices/``: run once by a developer, then committed.

    python -m dualmic.lock_keeper.make_voices

Needs the ``espeak-ng`` program; neither the demo nor the tests do. A line is kept at espeak's own
22.05 kHz and at 12 bits, which is far below the room tone that the mix lays under it and halves
the size of the FLAC files.
"""

import subprocess
import tempfile
from pathlib import Path
from typing import NamedTuple

import numpy as np
import soundfile

from dualmic.lock_keeper.script import EXCHANGES

VOICES = Path(__file__).parent / "voices"
KEPT_BITS = 12
PEAK = 0.8


class Voice(NamedTuple):
    """An espeak-ng voice with its speed in words a minute and its pitch (0 to 99)."""

    name: str
    words_per_minute: int
    pitch: int


INTERVIEWER = Voice("en-gb-x-rp+f3", 160, 58)
SUBJECT = Voice("en-gb-x-gbclan+m7", 140, 32)


def speak(voice: Voice, text: str) -> tuple[np.ndarray, int]:
    """Return ``text`` spoken, silence at both ends cut off, as ``(samples, rate)``."""
    with tempfile.TemporaryDirectory() as folder:
        wav = Path(folder) / "line.wav"
        settings = ["-v", voice.name, "-s", str(voice.words_per_minute), "-p", str(voice.pitch)]
        subprocess.run(["espeak-ng", *settings, "-w", str(wav), text], check=True)
        samples, rate = soundfile.read(wav)
    sounding = np.flatnonzero(np.abs(samples) > 0.003)
    return samples[sounding[0] : sounding[-1] + 1], rate


def main() -> None:
    """Write ``question-1.flac``, ``answer-1.flac`` and so on."""
    for number, exchange in enumerate(EXCHANGES, start=1):
        for part, voice in (("question", INTERVIEWER), ("answer", SUBJECT)):
            samples, rate = speak(voice, getattr(exchange, part))
            steps = np.round(samples * (PEAK / np.abs(samples).max()) * 2 ** (KEPT_BITS - 1))
            whole = (steps * 2 ** (16 - KEPT_BITS)).astype(np.int16)
            path = VOICES / f"{part}-{number}.flac"
            soundfile.write(path, whole, rate, subtype="PCM_16", compression_level=1.0)


if __name__ == "__main__":
    main()
