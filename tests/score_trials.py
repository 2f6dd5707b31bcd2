"""Score dualmic on trial takes: damage and speakers other than those of the scene kit.

    python tests/score_trials.py --part seen
    python tests/score_trials.py --part apart --json apart.json

Every manner once (``--rounds`` times), each with speakers, levels and moments of its own. Needs
ffmpeg and the speech packages named in ``tests/README.md``, installed or unpacked (``--root``).
"""

import argparse
import json
import os
import tempfile
import traceback
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict
from pathlib import Path

from trials import clean, places, signal_path  # noqa: F401 - they register their manners
from trials.files import write
from trials.interviews import MANNERS, make
from trials.scoring import Scored, score, table


def main() -> None:
    """Make the takes, check them, print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--part", choices=("seen", "apart"), default="seen")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rounds", type=int, default=1)
    parser.add_argument("--only", default="", help="kinds or KIND/MANNER, by commas")
    parser.add_argument("--root", type=Path, default=Path("/"), help="where packages lie unpacked")
    parser.add_argument("--keep", type=Path, help="folder for the takes, which are else deleted")
    parser.add_argument("--json", type=Path, help="every instance and alarm, for a closer look")
    parser.add_argument("--processes", type=int, default=2, choices=(1, 2))
    asked = parser.parse_args()
    only = set(filter(None, asked.only.split(",")))
    jobs = [
        (kind, name, asked.seed + k, asked.part, asked.root, asked.keep)
        for k in range(asked.rounds)
        for kind, name in sorted(MANNERS)
        if not only or only & {kind, f"{kind}/{name}"}
    ]
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    with ProcessPoolExecutor(asked.processes) as pool:
        scores = [s for s in pool.map(run, jobs) if s]
    print(table(scores))
    if len(scores) < len(jobs):
        print(f"{len(jobs) - len(scores)} takes could not be checked, see above")
    if asked.json:
        asked.json.write_text(json.dumps([asdict(s) for s in scores], indent=1, default=str))


def run(job: tuple[str, str, int, str, Path, Path | None]) -> Scored | None:
    """Make one take, let dualmic check its file, and score what it said."""
    from dualmic.take import check_take

    kind, name, seed, part, root, keep = job
    with tempfile.TemporaryDirectory(prefix="dualmic-trials-") as passing:
        try:
            take = make(kind, name, seed, part, root)
            folder = keep / f"{part}-{seed}" if keep else Path(passing)
            folder.mkdir(parents=True, exist_ok=True)
            return score(take, check_take([write(take, folder)]))
        except Exception:
            print(kind, name, traceback.format_exc(), flush=True)
            return None


if __name__ == "__main__":
    main()
