"""How much of a camera file is read for its sound, and how fast, against reading all of it.

    python tests/bench/bench_camera_file.py [--seconds 60] [--folder DIR]

Writes a camera file of each kind with a 60 Mbit/s picture (random bytes, as coded picture looks
like) and four tracks of 24 bit, or of AAC in MP4 and transport streams, each microphone's sound
beside its picture as cameras lay it out. The page cache is dropped before each reading, so bytes
and times are the disk's. Bytes are counted by the operating system (``/proc/self/io``): ``rchar``
is what was asked for, ``read_bytes`` what the disk delivered.

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


def write(path: Path, seconds: int) -> int:
    """Write the file and return its sound's own bytes.

    MXF and transport streams need a picture coding they know, so its frames begin like MPEG-2's;
    MP4 and transport streams hold AAC, the others plain sound.
    """
    rng = np.random.default_rng(1)
    is_mpeg2, is_aac = path.suffix in (".mxf", ".mts"), path.suffix in (".mts", ".mp4")
    step, sound = RATE_HZ // PICTURES_A_SECOND, 0
    with av.open(path, "w") as container:
        video: Any = container.add_stream(
            "mpeg2video" if is_mpeg2 else "mpeg4", rate=PICTURES_A_SECOND
        )
        video.width, video.height, video.pix_fmt = 1920, 1080, "yuv420p"
        video.codec_context.gop_size = 0
        still = av.VideoFrame(1920, 1080, "yuv420p")
        for plane in still.planes:
            plane.update(np.full(plane.buffer_size, 128, np.uint8))
        streams: list[Any] = []
        for _ in range(TRACKS):
            coding = "aac" if is_aac else "pcm_s24le"
            stream: Any = container.add_stream(coding, rate=RATE_HZ, layout="mono")
            stream.format = "fltp" if is_aac else "s32"
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
                if is_aac:
                    values = (values / 2.0**34).astype(np.float32)
                frame = av.AudioFrame.from_ndarray(values, stream.format.name, "mono")
                frame.sample_rate, frame.pts = RATE_HZ, number * step
                packets = stream.encode(frame)
                sound += sum(packet.size for packet in packets)
                container.mux(packets)
        for stream in [video, *streams]:
            container.mux(stream.encode(None))
    return sound


def read_sound(path: Path) -> int:
    """Read as a take is read; return how many frames there were."""
    with open_recording([path]) as recording:
        return sum(map(len, recording.blocks()))


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
        for name in ("a.mov", "a.mp4", "a.mxf", "a.mkv", "a.avi", "a.mts"):
            path = Path(folder) / name
            sound = write(path, options.seconds)
            size = path.stat().st_size
            _, _, _, all_s, _ = measure(read_all, path)
            _, asked, disk, wall_s, cpu_s = measure(read_sound, path)
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
