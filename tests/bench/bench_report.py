"""How long the report set takes on top of a check: ``python tests/bench/bench_report.py``.

The take is half an hour of the open speech of ``tests/data/speech``, sound lost in the middle of
twenty turns, so that its page holds twenty clips. Whole processes, with and without ``--report``,
run turn about.
"""

import argparse
import statistics
import sys
import tempfile
from pathlib import Path

import numpy as np
import soundfile as sf
from bench_check import run, write_take

from dualmic.take import check_take

LOST_S = 0.3
TAKES, PROBLEMS = 3, 20  # of ten minutes each


def write_damaged(path: Path) -> None:
    """Write the take; where people speak is asked of the tool itself."""
    write_take(path, 10.0)
    turns = [t for t in check_take([path]).turns if t.end_s - t.start_s > 10 * LOST_S]
    speech, rate = sf.read(path, dtype="float32")
    samples = np.concatenate([speech] * TAKES)
    length_s = len(speech) / rate
    places = [(turn, part) for part in range(TAKES) for turn in turns]
    for turn, part in places[:: len(places) // PROBLEMS][:PROBLEMS]:
        start = round((part * length_s + (turn.start_s + turn.end_s) / 2) * rate)
        samples[start : start + round(LOST_S * rate), turn.speaker == "subject"] = 0.0
    sf.write(path, samples, rate, subtype="PCM_24")


def main() -> None:
    """Print the seconds of each pair of runs and their middle difference."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=3)
    runs = parser.parse_args().runs
    with tempfile.TemporaryDirectory() as folder:
        take = Path(folder, "take.wav")
        write_damaged(take)
        check = [sys.executable, "-m", "dualmic", "check", str(take)]
        more = []
        for number in range(runs):
            alone_s, alone_cpu_s, _ = run(check)
            with_s, with_cpu_s, _ = run([*check, "--report", str(Path(folder, f"out{number}"))])
            more.append(with_s - alone_s)
            print(
                f"check {alone_s:6.2f} s, with reports {with_s:6.2f} s by the clock; "
                f"{alone_cpu_s:6.2f} and {with_cpu_s:6.2f} s of processor",
                flush=True,
            )
    print(f"reports {statistics.median(more):.2f} s on top of the check")


if __name__ == "__main__":
    main()
