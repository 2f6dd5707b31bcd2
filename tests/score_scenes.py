"""Score dualmic on simulated interviews whose truth is known.

    python tests/score_scenes.py --half tuning --scenes 32
    python tests/score_scenes.py --half reporting --scenes 320 --json scores.json

Needs the [test] extra and the speech packages named in ``tests/README.md``. Prints a table of
recall and false alarms by kind with 95 % bounds, the errors of times, turns and levels.
"""

import argparse
import json
import logging
import os
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict
from pathlib import Path
from typing import Any

from scenes.model import Scene
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
    asked = parser.parse_args()
    kinds = tuple(filter(None, asked.kinds.split(",")))
    plans = draw_plans(asked.scenes, asked.half, asked.seed, kinds)
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    with ProcessPoolExecutor(asked.processes) as pool:
        scores = list(pool.map(run, plans))
    print(table(scores))
    if asked.json:
        asked.json.write_text(json.dumps(scores, indent=1, default=str))


def run(plan: Plan) -> dict[str, Any]:
    """Make one scene, let dualmic check its file, and score what it said."""
    from scenes import make_scene
    from scenes.score import score
    from scenes.store import store

    from dualmic.take import check_take

    logging.disable(logging.CRITICAL)
    scene: Scene = make_scene(plan.seed, plan.half, plan.kinds, plan.duration_s, plan.fooled)
    with tempfile.TemporaryDirectory(prefix="dualmic-scenes-") as folder:
        path = store(scene, Path(folder))
        begin = time.perf_counter()
        record = check_take([path])
        seconds = time.perf_counter() - begin
    result = score(scene, record)
    result.seconds_to_check = seconds
    return asdict(result)


if __name__ == "__main__":
    main()
