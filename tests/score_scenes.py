"""Score dualmic on simulated interviews whose truth is known.

    python tests/score_scenes.py --half tuning --scenes 32
    python tests/score_scenes.py --half reporting --scenes 414 --json scores.json

Needs the [test] extra and the speech packages named in ``tests/README.md``. Prints a table of
recall and false alarms by kind with 95 % bounds, the errors of times, turns and levels.
"""

import argparse
import json
import os
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import Any

from scenes.plan import Plan, draw_plans
from scenes.tables import table

PROCESSES = 2


def main() -> None:
    """Make the scenes, check them, print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--half", choices=("tuning", "reporting"), default="tuning")
    parser.add_argument("--scenes", type=int, default=32)
    parser.add_argument("--kinds", default="", help="only scenes with one of these, by commas")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--processes", type=int, default=PROCESSES, choices=(1, 2))
    parser.add_argument("--json", type=Path, help="every instance and alarm, for a closer look")
    parser.add_argument("--keep", type=Path, help="folder of scenes made once and used again")
    parser.add_argument("--only-make", action="store_true", help="fill --keep, check nothing")
    asked = parser.parse_args()
    if asked.keep:
        asked.keep.mkdir(parents=True, exist_ok=True)
    kinds = tuple(filter(None, asked.kinds.split(",")))
    plans = draw_plans(asked.scenes, asked.half, asked.seed, kinds)
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    with ProcessPoolExecutor(asked.processes) as pool:
        scores = list(pool.map(partial(run, keep=asked.keep, only_make=asked.only_make), plans))
    if asked.only_make:
        return
    print(table(scores))
    if asked.json:
        asked.json.write_text(json.dumps(scores, indent=1, default=str))


def run(plan: Plan, keep: Path | None, only_make: bool) -> dict[str, Any] | None:
    """Make one scene, let dualmic check its file, and score what it said."""
    from scenes.score import score
    from scenes.store import kept

    from dualmic.take import check_take

    with tempfile.TemporaryDirectory(prefix="dualmic-scenes-") as passing:
        path, truth = kept(plan, keep or Path(passing))
        if only_make:
            return None
        begin = time.perf_counter()
        record = check_take([path])
        seconds = time.perf_counter() - begin
    result = score(truth, record)
    result.seconds_to_check = seconds
    return asdict(result)


if __name__ == "__main__":
    main()
