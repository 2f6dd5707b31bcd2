"""What the tool said of a take against what is true of it; tables of many takes."""

from collections import Counter, defaultdict
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from .takes import Instance, Take

ROLES = ("interviewer", "subject")
SLACK_S = 0.5  # between what was said and the instance
FOLLOWS_S = 1.5  # what another damage brings with it may lie a little beside it
EDGE_S = 0.1  # frames so near a true edge are nobody's: a word has no sharp one

# What a damage brings with it, so that saying so is no false alarm. A microphone that is dead is
# also too quiet; cloth that crinkles also cracks; an offset in AAC hums at the rate of its frames.
FOLLOWS = {
    "mic_dead": "low_level noise crosstalk level_jump background_change dropout polarity hum "
                "one_place click",
    "noise": "low_level crosstalk",
    "low_level": "noise",
    "dual_mono": "crosstalk one_place mic_dead both_talking",
    "one_place": "crosstalk dual_mono both_talking mic_dead",
    "wind": "rustle noise",
    "dropout": "click",
    "level_jump": "background_change noise clipping",
    "hum": "noise background_change",
    "dc_offset": "wind click hum",
    "clipping": "crosstalk",
    "background_change": "noise hum",
    "bad_samples": "dropout click",
    "rustle": "click",
}  # fmt: skip


@dataclass
class Scored:
    """One take's score. Lists hold what it was, for a closer look."""

    kind: str
    manner: str
    seconds: float
    found: list[Instance] = field(default_factory=list)
    missed: list[Instance] = field(default_factory=list)
    alarms: list[dict[str, Any]] = field(default_factory=list)
    follows: list[dict[str, Any]] = field(default_factory=list)
    frames: dict[str, int] = field(default_factory=dict)
    talkers: str = ""


def score(take: Take, record: Any) -> Scored:
    """Compare a record's problems and turns with a take's truth."""
    scored = Scored(take.kind, take.manner, take.seconds, talkers=" ".join(take.speakers))
    for instance in take.instances:
        hit = any(_named(p, instance) and _near(p, instance, SLACK_S) for p in record.problems)
        (scored.found if hit else scored.missed).append(instance)
    for problem in record.problems:
        if problem.severity == "note":
            continue
        if any(_named(problem, i) and _near(problem, i, SLACK_S) for i in take.instances):
            continue
        plain = {"kind": problem.kind, "mic": problem.mic, "severity": problem.severity,
                 "start_s": problem.start_s, "end_s": problem.end_s,
                 "value": problem.value}  # fmt: skip
        follows = any(
            problem.kind in FOLLOWS.get(i.kind, "").split() and _near(problem, i, FOLLOWS_S)
            for i in take.instances
        )
        (scored.follows if follows else scored.alarms).append(plain)
    if take.turns_count:
        scored.frames = dict(_turn_frames(take, record.turns))
    return scored


def _named(problem: Any, instance: Instance) -> bool:
    if problem.kind not in (instance.kind, *instance.also):
        return False
    return None in (problem.mic, instance.mic) or problem.mic == ROLES[instance.mic or 0]


def _near(problem: Any, instance: Instance, slack_s: float) -> bool:
    return (
        problem.start_s <= instance.end_s + slack_s and problem.end_s >= instance.start_s - slack_s
    )


def _turn_frames(take: Take, turns: Any) -> Counter:
    """Count 10 ms frames: of turns right, invented and missed, of single talk right and wrong."""
    count, true, said = Counter(), [], []
    frames = int(take.seconds * 100)
    for who, talk in enumerate(take.talk()):
        truly, claimed, edge = (np.zeros(frames, bool) for _ in range(3))
        for start_s, end_s in talk:
            truly[round(start_s * 100) : round(end_s * 100)] = True
            for at_s in (start_s, end_s):
                edge[max(0, int((at_s - EDGE_S) * 100)) : int((at_s + EDGE_S) * 100) + 1] = True
        for turn in turns:
            if turn.speaker == ROLES[who]:
                claimed[round(turn.start_s * 100) : round(turn.end_s * 100)] = True
        count["right"] += int((truly & claimed & ~edge).sum())
        count["invented"] += int((~truly & claimed & ~edge).sum())
        count["unheard"] += int((truly & ~claimed & ~edge).sum())
        true.append(truly)
        said.append(claimed)
    for who in (0, 1):
        alone = true[who] & ~true[1 - who]
        count["own"] += int((alone & said[who] & ~said[1 - who]).sum())
        count["other"] += int((alone & said[1 - who] & ~said[who]).sum())
    return count


def f1(frames: Counter) -> float:
    wrong = frames["invented"] + frames["unheard"]
    return 2 * frames["right"] / max(1, 2 * frames["right"] + wrong)


def table(scores: list[Scored], by_manner: bool = True) -> str:
    """Return the figures of many takes as text."""
    minutes = sum(s.seconds for s in scores) / 60
    counts: dict[tuple[str, str], Counter] = defaultdict(Counter)
    frames: Counter = Counter()
    for s in scores:
        frames.update(s.frames)
        for instance in s.found + s.missed:
            word = ("found" if instance in s.found else "missed") if instance.owed else (
                "borderline found" if instance in s.found else "borderline")  # fmt: skip
            for row in ((instance.kind, ""), (s.kind, s.manner)):
                if row[1] == "" or instance.kind == s.kind:
                    counts[row][word] += 1
        counts[s.kind, s.manner]["alarms"] += len(s.alarms)
        for alarm in s.alarms:
            counts[alarm["kind"], ""]["alarms"] += 1
    kinds = {row: c for row, c in counts.items() if not row[1]}
    found, missed, alarms = (
        sum(c[w] for c in kinds.values()) for w in ("found", "missed", "alarms")
    )
    clean = [s for s in scores if s.kind == "clean"]
    lines = [
        f"{len(scores)} takes, {minutes:.0f} min: recall {found / max(1, found + missed):.3f} of "
        f"{found + missed}, false alarms in 10 min {alarms / minutes * 10:.2f}, "
        f"turns F1 {f1(frames):.3f}, "
        f"right person {frames['own'] / max(1, frames['own'] + frames['other']):.4f}, "
        f"clean takes silent {sum(not s.alarms for s in clean)} of {len(clean)}",
        "",
        "| kind | manner | found | false alarms | borderline found |",
        "|---|---|---|---|---|",
    ]
    for (kind, name), c in sorted((counts if by_manner else kinds).items()):
        due = c["found"] + c["missed"]
        edge = c["borderline found"] + c["borderline"]
        cells = [
            kind,
            name or "all",
            f"{c['found']}/{due}" if due else "",
            f"{c['alarms']} in its takes" if name else f"{c['alarms']}",
            f"{c['borderline found']}/{edge}" if edge else "",
        ]
        lines.append(f"| {' | '.join(cells)} |")
    return "\n".join(lines)
