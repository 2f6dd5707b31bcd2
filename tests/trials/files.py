"""A take as a file, as recorders and cameras write it."""

import subprocess
from pathlib import Path

import numpy as np
import soundfile

from .takes import Take
from .voices import RATE_HZ


def write(take: Take, folder: Path) -> Path:
    """Write the take and return its file. ``take.write`` asks for a form; else one is drawn."""
    asked = dict(take.write)
    stem = folder / f"{take.kind}-{take.manner}"
    bits = asked.get("bits") or int(take.rng.choice([16, 24]))
    if "bits" not in asked and "aac" not in asked and take.rng.random() < 0.2:
        asked["aac"] = int(take.rng.choice([128, 192, 256]))
    samples = take.channels.T
    if bits != 32:
        samples = np.clip(samples, -1, 1 - 1 / 32768)
    if bits == 16 and asked.get("dither", True):
        # Not where a link or a cable delivers nothing at all: there are zeros.
        dither = take.rng.random(samples.shape) - take.rng.random(samples.shape)
        samples = samples + dither / 32768 * (samples != 0)
    form = {16: "PCM_16", 24: "PCM_24", 32: "FLOAT"}[bits]
    path = stem.with_suffix(".flac" if asked.get("how") == "flac" else ".wav")
    soundfile.write(path, samples, RATE_HZ, subtype=form)
    if "aac" in asked:
        wav, path = path, stem.with_suffix(".mp4")
        command = ["ffmpeg", "-v", "error", "-y", "-i", wav, "-c:a", "aac"]
        subprocess.run([*command, "-b:a", f"{asked['aac']}k", path], check=True)
        wav.unlink()
    if "cut" in asked:
        _cut(path, asked["cut"], asked["how"])
    return path


def _cut(path: Path, keep: float, how: str) -> None:
    content = bytearray(path.read_bytes())
    content = content[: int(len(content) * keep)]
    if how == "size_never_written":
        data = content.find(b"data")
        content[4:8] = content[data + 4 : data + 8] = bytes(4)
    path.write_bytes(content)
