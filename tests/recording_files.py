"""Makes recordings for the tests: files of every container, with PyAV, soundfile, or by hand.

Samples are int32 with the 24 bits of the sound at the top, shape ``(frames, channels)``: what
:func:`noise` returns. Every writer stores exactly those, so a test can compare bit for bit.
"""

import shutil
import struct
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import soundfile
from numpy.typing import NDArray

from dualmic.recording import Ending, open_recording

RATE_HZ = 48_000
Samples = NDArray[np.int32]

_FRAME_FORMATS = {"pcm_s16le": "s16", "pcm_s16be": "s16", "pcm_f32le": "flt", "aac": "fltp"}
_FRAME_FORMATS |= {"alac": "s32p", "flac": "s32"}
_LAYOUTS = {1: "mono", 2: "stereo", 4: "quad", 8: "7.1"}


def noise(frames: int, channels: int = 2, bits: int = 24, seed: int = 1) -> Samples:
    """Return noise of 16 or 24 bits at the top of int32, every bit in use."""
    rng = np.random.default_rng(seed)
    half = 1 << (bits - 1)
    values = rng.integers(-half, half, (frames, channels), dtype=np.int64)
    return (values << (32 - bits)).astype(np.int32)


def as_float(samples: Samples) -> NDArray[np.float32]:
    """Return samples re full scale 1.0."""
    return (samples / 2.0**31).astype(np.float32)


def packed_24(samples: Samples) -> bytes:
    """Return little-endian three-byte samples."""
    return np.ascontiguousarray(samples, "<i4").view(np.uint8).reshape(-1, 4)[:, 1:].tobytes()


def chunk(name: bytes, body: bytes, length: int | None = None) -> bytes:
    """Return a RIFF chunk; ``length`` overrides the true one."""
    return (
        name
        + struct.pack("<I", len(body) if length is None else length)
        + body
        + b"\0" * (len(body) % 2)
    )


def wave_format(channels: int, bits: int = 24, tag: int = 1, rate_hz: int = RATE_HZ) -> bytes:
    """Return a ``fmt`` chunk."""
    align = channels * bits // 8
    return chunk(
        b"fmt ", struct.pack("<HHIIHH", tag, channels, rate_hz, rate_hz * align, align, bits)
    )


def wave(
    data: bytes, form: bytes, *, length: int | None = None, before: bytes = b"", after: bytes = b""
) -> bytes:
    """Return a WAV file with chunks ``before`` and ``after`` its ``data``."""
    body = b"WAVE" + form + before + chunk(b"data", data, length) + after
    return chunk(b"RIFF", body)


def bext(samples_since_midnight: int, date: str = "2024-05-03", time: str = "10:11:12") -> bytes:
    """Return a ``bext`` chunk, version 1 (EBU Tech 3285)."""
    body = b"Lock 4, upper gate".ljust(256, b"\0") + b"Recorder".ljust(32, b"\0") + b"\0" * 32
    body += date.encode() + time.encode() + struct.pack("<Q", samples_since_midnight)
    return chunk(b"bext", body + struct.pack("<H", 1) + b"\0" * 254)


def write_av(
    path: Path,
    tracks: Sequence[Samples],
    coding: str = "pcm_s24le",
    *,
    picture: str | None = None,
    picture_rate: Fraction = Fraction(25),
    picture_side: int = 64,
    timecode: str | None = None,
    names: Sequence[str] = (),
    metadata: dict[str, str] | None = None,
    starts_s: Sequence[float] = (),
    gap: tuple[int, float] | None = None,
    gap_tracks: Sequence[int] = range(99),
    options: dict[str, str] | None = None,
    rate_hz: int = RATE_HZ,
    died: Path | None = None,
) -> Path:
    """Write tracks into a container, a picture's length of each at a time, as cameras do.

    ``starts_s`` delays tracks. ``gap`` is a frame from which on all timestamps of ``gap_tracks``
    are so many seconds later; it must be a whole number of pictures. ``died`` gets what the disk
    held three quarters through: the recording of a camera whose battery died.
    """
    with av.open(path, "w", options=options or {}) as container:
        container.metadata.update(metadata or {})
        if timecode:
            container.metadata["timecode"] = timecode
        video: Any = None
        if picture:
            video = container.add_stream(picture, rate=picture_rate)
            video.width, video.height, video.pix_fmt = picture_side, picture_side, "yuv420p"
        streams = []
        for number, samples in enumerate(tracks):
            layout = _LAYOUTS[samples.shape[1]]
            stream: Any = container.add_stream(coding, rate=rate_hz, layout=layout)
            stream.format = _FRAME_FORMATS.get(coding, "s32")
            if number < len(names):
                stream.metadata["title"] = names[number]
            streams.append(stream)
        step, at, shown = int(rate_hz / picture_rate), 0, 0
        while at < max(map(len, tracks), default=5 * step):
            if video is not None:
                grey = np.full((picture_side * 3 // 2, picture_side), 128, np.uint8)
                frame = av.VideoFrame.from_ndarray(grey, "yuv420p")
                frame.pts, shown = shown, shown + 1
                container.mux(video.encode(frame))
            for number, (stream, samples) in enumerate(zip(streams, tracks, strict=True)):
                part = samples[at : at + step]
                if len(part):
                    start = int(starts_s[number] * rate_hz) if starts_s else 0
                    if gap and at >= gap[0] and number in gap_tracks:
                        start += int(gap[1] * rate_hz)
                    container.mux(stream.encode(_audio_frame(part, stream, at + start, rate_hz)))
            at += step
            if died and at > 3 * len(tracks[0]) // 4:
                shutil.copyfile(path, died)
                died = None
        for stream in [*streams, *([video] if video is not None else [])]:
            container.mux(stream.encode(None))
    return path


def _audio_frame(part: Samples, stream: Any, at: int, rate_hz: int) -> Any:
    kind = stream.format.name
    values: Any = part
    if kind.startswith("s16"):
        values = (part >> 16).astype(np.int16)
    elif kind.startswith("flt"):
        values = as_float(part)
    planar = kind.endswith("p")
    array = np.ascontiguousarray(values.T if planar else values.reshape(1, -1))
    frame = av.AudioFrame.from_ndarray(array, format=kind, layout=stream.layout.name)
    frame.sample_rate, frame.pts, frame.time_base = rate_hz, at, Fraction(1, rate_hz)
    return frame


def write_soundfile(path: Path, samples: Samples, coding: str, container: str) -> Path:
    """Write with libsndfile."""
    data = samples / 2.0**31 if coding in ("FLOAT", "DOUBLE") else samples
    soundfile.write(path, data, RATE_HZ, subtype=coding, format=container)
    return path


def wave_64(kind: bytes, data: bytes, form: bytes, *, length: int | None = None) -> bytes:
    """Return an RF64 or BW64 file, whose lengths stand in ``ds64`` (EBU Tech 3306)."""
    length = len(data) if length is None else length
    ds64 = chunk(b"ds64", struct.pack("<QQQI", length + 100, length, 0, 0))
    body = b"WAVE" + ds64 + form + chunk(b"data", data, 0xFFFFFFFF)
    return kind + struct.pack("<I", 0xFFFFFFFF) + body


def read(path: Path) -> tuple[NDArray[np.float32], Ending]:
    """Read a file to its end, in blocks of an odd size."""
    with open_recording([path]) as recording:
        blocks = list(recording.blocks(4_001))
        ending = recording.ending()
    got = np.concatenate(blocks)
    assert len(got) == ending.frames
    return got, ending
