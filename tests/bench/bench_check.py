"""How long a check takes, beside FFmpeg measuring loudness alone, and how much memory it needs.

    python tests/bench/bench_check.py [--minutes 10] [--runs 3]

The take is the open speech of ``tests/data/speech`` in two channels at 48 kHz, 24 bit. Both
programs run as whole processes on the same file, turn about; it is in the page cache for both.
Modules are compiled beforehand, as pip does when it installs.
"""

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path


def write_take(path: Path, minutes: float) -> None:
    """Repeat a scene with fresh noise until it is long enough; block by block."""
    sys.path.insert(0, str(Path(__file__).parent.parent))
    import numpy as np
    import soundfile as sf
    from speech_scene import RATE_HZ, make

    frames = round(minutes * 60 * RATE_HZ)
    rng = np.random.default_rng(0)
    scene = make(rounds=6).samples
    with sf.SoundFile(path, "w", RATE_HZ, 2, "PCM_24") as file:
        while frames > 0:
            part = scene[:frames]
            file.write(part + rng.normal(0, 2e-4, part.shape))
            frames -= len(part)


def run(command: list[str]) -> tuple[float, float, float]:
    """Return wall and processor seconds of a command, and its largest process's peak in MB."""
    kept = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    start = time.perf_counter()
    child = subprocess.Popen(
        command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=kept
    )
    _, _, usage = os.wait4(child.pid, 0)
    wall = time.perf_counter() - start
    child.returncode = 0
    return wall, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1000


def main() -> None:
    """Print one line a run, then the best of each."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--write", type=Path, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.write:
        write_take(asked.write, asked.minutes)
        return
    ffmpeg = shutil.which("ffmpeg")
    with tempfile.TemporaryDirectory() as folder:
        take = Path(folder) / "take.wav"
        # In a process of its own: a child's peak memory counts what its parent held when it forked.
        writing = [sys.executable, __file__, "--write", str(take), "--minutes", str(asked.minutes)]
        subprocess.run(writing, check=True)
        ours = [sys.executable, "-m", "dualmic", "check", str(take)]
        loudness = ["-filter_complex", "ebur128=peak=true", "-f", "null", "-"]
        best: dict[str, float] = {}
        for _ in range(asked.runs):
            for name, command in (
                ("dualmic", ours),
                ("ffmpeg", [ffmpeg, "-i", str(take), *loudness] if ffmpeg else []),
            ):
                if not command:
                    continue
                wall, used, memory = run(command)
                shown = f"  {memory:.0f} MB at most" if name == "dualmic" else ""
                print(f"{name:8} {wall:6.2f} s by the clock  {used:6.2f} s of processor{shown}")
                best[name] = min(best.get(name, wall), wall)
        print(", ".join(f"{name} {wall:.2f} s" for name, wall in best.items()))
        if not ffmpeg:
            print("ffmpeg is not installed: nothing to compare with.")


if __name__ == "__main__":
    main()
