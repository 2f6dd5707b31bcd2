"""How much of a camera file is read for its sound, and how fast, against reading all of it.

    python tests/bench/bench_camera_file.py [--seconds 60] [--folder DIR]

Writes a MOV and an MXF of a 60 Mbit/s picture (random bytes, as coded picture looks like) with four
24-bit tracks, each microphone's sound beside its picture as cameras lay it out. The page cache is
dropped before each reading, so bytes and times are the disk's. Bytes are counted by the operating
system (``/proc/self/io``): ``rchar`` is what was asked for, ``read_bytes`` what the disk delivered.

Goal for 60 seconds of MOV: at most 1.3 times the sound's own bytes and 5 MB.
"""

import argparse
import os
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import av
import numpy as np

from dualmic.recording import open_recording

RATE_HZ, PICTURES_A_SECOND, TRACKS = 48_000, 25, 4
PICTURE_BYTES = 60_000_000 // 8 // PICTURES_A_SECOND
GOAL_FACTOR, GOAL_EXTRA_BYTES = 1.3, 5_000_000


def write(path: Path, seconds: int) -> None:
    """Write the file; MXF needs a picture coding it knows, so its frames begin like MPEG-2's."""
    rng = np.random.default_rng(1)
    is_mxf = path.suffix == ".mxf"
    step = RATE_HZ // PICTURES_A_SECOND
    with av.open(path, "w") as container:
        video: Any = container.add_stream(
            "mpeg2video" if is_mxf else "mpeg4", rate=PICTURES_A_SECOND
        )
        video.width, video.height, video.pix_fmt = 1920, 1080, "yuv420p"
        video.codec_context.gop_size = 0
        still = av.VideoFrame(1920, 1080, "yuv420p")
        for plane in still.planes:
            plane.update(np.full(plane.buffer_size, 128, np.uint8))
        streams: list[Any] = []
        for _ in range(TRACKS):
            stream: Any = container.add_stream("pcm_s24le", rate=RATE_HZ, layout="mono")
            stream.format = "s32"
            streams.append(stream)
        filler = rng.integers(1, 255, PICTURE_BYTES, dtype=np.uint8).tobytes()
        for number in range(seconds * PICTURES_A_SECOND):
            still.pts = number
            for packet in video.encode(still):
                padded = av.Packet(bytes(packet) + filler)
                padded.stream, padded.time_base = video, packet.time_base
                padded.pts, padded.dts, padded.duration = packet.pts, packet.dts, packet.duration
                padded.is_keyframe = True
                container.mux(padded)
            for stream in streams:
                values = rng.integers(-(2**23), 2**23, (1, step), dtype=np.int32) << 8
                frame = av.AudioFrame.from_ndarray(values, format="s32", layout="mono")
                frame.sample_rate, frame.pts = RATE_HZ, number * step
                container.mux(stream.encode(frame))
        for stream in [video, *streams]:
            container.mux(stream.encode(None))


def read_sound(path: Path) -> int:
    """Read as a take is read; return the sound's own bytes."""
    with open_recording([path]) as recording:
        return sum(block.size for block in recording.blocks()) * 3


def read_all(path: Path) -> int:
    """Read every byte of the file."""
    size = 0
    with path.open("rb", buffering=0) as file:
        while data := file.read(1 << 20):
            size += len(data)
    return size


def drop_from_cache(path: Path) -> None:
    """Make the next reading come from the disk."""
    descriptor = os.open(path, os.O_RDONLY)
    os.fsync(descriptor)
    os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
    os.close(descriptor)


def counters() -> dict[str, int]:
    """Return the operating system's counts of bytes read by this process."""
    lines = Path("/proc/self/io").read_text().splitlines()
    return {name: int(value) for name, value in (line.split(": ") for line in lines)}


def measure(job: Callable[[Path], int], path: Path) -> tuple[int, int, int, float, float]:
    """Return the job's result, bytes asked for, bytes from disk, wall and CPU seconds."""
    drop_from_cache(path)
    before, wall, cpu = counters(), time.perf_counter(), time.process_time()
    result = job(path)
    wall, cpu, after = time.perf_counter() - wall, time.process_time() - cpu, counters()
    asked, disk = (after[key] - before[key] for key in ("rchar", "read_bytes"))
    return result, asked, disk, wall, cpu


def main() -> int:
    """Run and print; 1 when the goal for MOV is missed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=int, default=60)
    parser.add_argument("--folder", type=Path, help="where to write, for the disk to be measured")
    options = parser.parse_args()
    missed = False
    with tempfile.TemporaryDirectory(dir=options.folder) as folder:
        for name in ("a.mov", "a.mxf"):
            path = Path(folder) / name
            write(path, options.seconds)
            size = path.stat().st_size
            _, _, _, all_s, _ = measure(read_all, path)
            sound, asked, disk, wall_s, cpu_s = measure(read_sound, path)
            goal = GOAL_FACTOR * sound + GOAL_EXTRA_BYTES
            print(f"{name}: {size / 1e6:.1f} MB, of which sound {sound / 1e6:.1f} MB")
            print(f"  whole file       {all_s:6.2f} s")
            print(f"  sound            {wall_s:6.2f} s, {cpu_s:.2f} s of processor")
            print(f"  bytes asked for  {asked / 1e6:6.1f} MB = {asked / sound:.2f} of the sound")
            print(f"  bytes from disk  {disk / 1e6:6.1f} MB = {disk / sound:.2f} of the sound")
            if name == "a.mov":
                missed = max(asked, disk) > goal
                print(f"  goal {goal / 1e6:.1f} MB: {'missed' if missed else 'met'}")
            path.unlink()
    return int(missed)


if __name__ == "__main__":
    raise SystemExit(main())
