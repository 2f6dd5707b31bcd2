"""Writing a reference signal to a sound file in its encoding."""

from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import numpy as np

from reference_signals.signal import Block, Signal

SUFFIX = {"wav": ".wav", "flac": ".flac", "alac": ".m4a", "mov": ".mov", "aac": ".m4a"}
WAV_SUBTYPE = {"16": "PCM_16", "24": "PCM_24", "32": "PCM_32", "float": "FLOAT"}
AAC_BITS_PER_S = 256_000


def write(signal: Signal, folder: Path) -> Path:
    """Write ``signal`` into ``folder`` in its encoding and return the file's path.

    Samples are rounded to the nearest step without dither; outside full scale they are cut off,
    except as float. ALAC, MOV and AAC are written with PyAV, the others with soundfile.
    """
    kind, _, depth = signal.encoding.partition("-")
    path = folder / (signal.name.replace(" ", "-").replace(",", "") + SUFFIX[kind])
    if kind in ("wav", "flac"):
        _write_soundfile(signal, path, WAV_SUBTYPE[depth])
    elif kind == "mov":
        _write_av(signal, path, "pcm_s24le", "s32", 32)
    elif kind == "alac":
        _write_av(signal, path, "alac", *(("s16p", 16) if depth == "16" else ("s32p", 32)))
    else:
        _write_av(signal, path, "aac", "fltp", 0)
    return path


def _write_soundfile(signal: Signal, path: Path, subtype: str) -> None:
    import soundfile

    with soundfile.SoundFile(
        path, "w", signal.sample_rate_hz, signal.channels, subtype=subtype
    ) as file:
        for block in signal.blocks():
            file.write(block)


def _write_av(signal: Signal, path: Path, codec: str, sample_format: str, bits: int) -> None:
    import av

    layout = {1: "mono", 2: "stereo"}[signal.channels]
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=signal.sample_rate_hz, layout=layout)
        assert isinstance(stream, av.AudioStream)
        stream.codec_context.format = sample_format
        if bits == 0:
            stream.bit_rate = AAC_BITS_PER_S
        at = 0
        for block in _frame_sized(signal):
            shaped = _as_integers(block, bits) if bits else block
            planar = sample_format.endswith("p")
            data = np.ascontiguousarray(shaped.T if planar else shaped.reshape(1, -1))
            frame = av.AudioFrame.from_ndarray(data, format=sample_format, layout=layout)
            frame.sample_rate = signal.sample_rate_hz
            frame.pts, frame.time_base = at, Fraction(1, signal.sample_rate_hz)
            at += len(block)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))


def _frame_sized(signal: Signal) -> Iterator[Block]:
    """Yield blocks of 1024 frames, the frame of AAC; ALAC takes up to 4096."""
    return signal.blocks(1024)


def _as_integers(block: Block, bits: int) -> np.ndarray:
    """Return float samples as left-justified integers of ``bits``; 24 bits sit in the top of 32."""
    depth = min(bits, 24)
    full = 2 ** (depth - 1)
    whole = np.clip(np.round(block.astype(np.float64) * full), -full, full - 1).astype(np.int64)
    return (whole << (bits - depth)).astype(np.int16 if bits == 16 else np.int32)
