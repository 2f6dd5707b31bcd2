"""Writes a mixed take as a recorder or a camera would: 24 bit, with the clock time of its start.

Take 1 is a Broadcast Wave with a ``bext`` chunk (EBU Tech 3285), take 2 a QuickTime file with a
picture, a timecode track and a mono track for each microphone, take 3 a plain WAV.
"""

import struct
from fractions import Fraction
from pathlib import Path

import numpy as np

from dualmic.lock_keeper.mix import Scene
from dualmic.lock_keeper.room import RATE_HZ

NAMES = {1: "lock-keeper-1.wav", 2: "lock-keeper-2.mov", 3: "lock-keeper-3.wav"}
BEXT_START_S = 10 * 3600 + 12 * 60 + 30
"""Take 1 begins at 10:12:30."""
CAMERA_START_TIMECODE = "10:26:05:00"
FRAMES_A_SECOND = 25
PICTURE = (160, 90)
"""A grey-green card, small enough that the picture weighs nothing beside the sound."""


def write_take(scene: Scene, folder: Path) -> Path:
    """Write ``scene`` into ``folder`` (which exists) and return the file's path."""
    path = folder / NAMES[scene.number]
    steps = np.round(np.clip(scene.samples, -1, 1 - 2**-23) * 2**23).astype("<i4")
    if scene.number == 2:
        _write_mov(path, steps)
    else:
        _write_wav(path, steps, bext=scene.number == 1)
    return path


def _chunk(name: bytes, body: bytes) -> bytes:
    return name + struct.pack("<I", len(body)) + body + b"\0" * (len(body) % 2)


def _bext() -> bytes:
    """Return a ``bext`` body, version 1: texts, the time reference in samples, no history."""
    return struct.pack(
        "<256s32s32s10s8sQH64s190s",
        b"A lock keeper remembers, take 1: a demo with synthetic voices",
        b"dualmic demo",
        b"LOCK-1",
        b"2026-05-14",
        b"10:12:30",
        BEXT_START_S * RATE_HZ,
        1,
        b"",
        b"",
    )


def _write_wav(path: Path, steps: np.ndarray, bext: bool) -> None:
    """Write 24-bit PCM; ``steps`` is ``(frames, channels)`` int32 within 24 bits."""
    channels = steps.shape[1]
    pcm = np.ascontiguousarray(steps).view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
    layout = struct.pack("<HHIIHH", 1, channels, RATE_HZ, RATE_HZ * channels * 3, channels * 3, 24)
    chunks = _chunk(b"bext", _bext()) if bext else b""
    chunks += _chunk(b"fmt ", layout) + _chunk(b"data", pcm)
    path.write_bytes(_chunk(b"RIFF", b"WAVE" + chunks))


def _write_mov(path: Path, steps: np.ndarray) -> None:
    """Write a QuickTime file: picture, timecode track, one mono 24-bit track a channel."""
    import av

    card = np.empty((PICTURE[1], PICTURE[0], 3), np.uint8)
    card[:] = (88, 104, 92)
    with av.open(str(path), "w", format="mov") as movie:
        picture = movie.add_stream("mpeg4", rate=FRAMES_A_SECOND)
        picture.width, picture.height = PICTURE
        picture.pix_fmt = "yuv420p"
        picture.metadata["timecode"] = CAMERA_START_TIMECODE
        tracks = [movie.add_stream("pcm_s24le", rate=RATE_HZ, layout="mono") for _ in steps[0]]
        frame = av.VideoFrame.from_ndarray(card, format="rgb24").reformat(format="yuv420p")
        for second, start in enumerate(range(0, len(steps), RATE_HZ)):
            block = steps[start : start + RATE_HZ]
            for number in range(-(-len(block) * FRAMES_A_SECOND // RATE_HZ)):
                frame.pts = second * FRAMES_A_SECOND + number
                frame.time_base = Fraction(1, FRAMES_A_SECOND)
                movie.mux(picture.encode(frame))
            for channel, track in enumerate(tracks):
                # FFmpeg's 24-bit encoder takes the upper 24 bits of 32.
                samples = np.ascontiguousarray(block[:, channel])[np.newaxis] << 8
                sound = av.AudioFrame.from_ndarray(samples, format="s32", layout="mono")
                sound.sample_rate = RATE_HZ
                sound.pts, sound.time_base = start, Fraction(1, RATE_HZ)
                movie.mux(track.encode(sound))
        for stream in (picture, *tracks):
            movie.mux(stream.encode())
