"""The scores as Markdown tables, with 95 % bounds.

References: Wilson 1927 (score interval of a share); Garwood 1936 (exact interval of a Poisson
rate, by chi-square quantiles).
"""

from collections import defaultdict
from typing import Any

import numpy as np
from scipy import stats

Scores = list[dict[str, Any]]

_TIGHT = ("clipping", "dropout", "click")


def wilson(hits: int, trials: int) -> tuple[float, float]:
    """Return the 95 % score interval of a share."""
    interval = stats.binomtest(hits, trials).proportion_ci(method="wilson")
    return float(interval.low), float(interval.high)


def poisson(events: int, exposure: float) -> tuple[float, float]:
    """Return the exact 95 % interval of a rate of ``events`` over ``exposure``."""
    low = stats.chi2.ppf(0.025, 2 * events) / 2 if events else 0.0
    high = stats.chi2.ppf(0.975, 2 * events + 2) / 2
    return float(low / exposure), float(high / exposure)


def table(scores: Scores) -> str:
    """Return all tables of a run."""
    minutes = sum(s["minutes"] for s in scores)
    checked = sum(s["seconds_to_check"] for s in scores)
    lines = [
        f"{len(scores)} scenes, {minutes:.0f} minutes, {checked / minutes:.2f} s to check one."
    ]
    return "\n".join([*lines, "", *_kinds(scores, minutes), "", *_rest(scores, minutes)])


def _kinds(scores: Scores, minutes: float) -> list[str]:
    found: dict[str, list[tuple[bool, bool]]] = defaultdict(list)
    alarms: dict[str, int] = defaultdict(int)
    times: dict[str, list[tuple[float, float]]] = defaultdict(list)
    for each in scores:
        for instance in each["instances"]:
            found[instance["kind"]].append((instance["found"], instance["warned"]))
        for alarm in each["alarms"]:
            alarms[alarm["kind"]] += 1
        for timed in each["times"]:
            times[timed["kind"]].append((abs(timed["onset_s"]), abs(timed["end_s"])))
    lines = [
        "| kind | instances | recall (95 %) | more than a note | false alarms in 10 min (95 %) |"
        " onset, end within |",
        "|---|---|---|---|---|---|",
    ]
    for kind in sorted({*found, *alarms}):
        lines.append(_row(kind, found[kind], alarms[kind], times[kind], minutes))
    everything = [hit for hits in found.values() for hit in hits]
    lines.append(_row("all", everything, sum(alarms.values()), [], minutes))
    return lines


def _row(
    kind: str,
    told: list[tuple[bool, bool]],
    alarms: int,
    times: list[tuple[float, float]],
    minutes: float,
) -> str:
    recall, warned, exact = "-", "-", "-"
    if told:
        hits, warnings = np.array(told).T
        low, high = wilson(int(hits.sum()), len(hits))
        recall = f"{hits.mean():.3f} ({low:.3f} to {high:.3f})"
        warned = f"{warnings.mean():.2f}"
    low, high = (10 * value for value in poisson(alarms, minutes))
    if times:
        limit = 0.05 if kind in _TIGHT else 0.25
        onset, end = (np.mean(np.array(times)[:, k] <= limit + 1e-9) for k in range(2))
        exact = f"{limit:g} s: {100 * onset:.0f} %, {100 * end:.0f} %"
    rate = f"{10 * alarms / minutes:.2f} ({low:.2f} to {high:.2f})"
    return f"| {kind} | {len(told)} | {recall} | {warned} | {rate} | {exact} |"


def _rest(scores: Scores, minutes: float) -> list[str]:
    clean = [s for s in scores if not s["scene"]["kinds"]]
    quiet = sum(not s["alarms"] for s in clean)
    lines = ["| what | value |", "|---|---|"]
    lines.append(
        f"| scenes without damage in which nothing was reported | {quiet} of {len(clean)} |"
    )
    frames: dict[str, int] = defaultdict(int)
    for each in scores:
        for name, number in each["frames"].items():
            frames[name] += number
    if frames["hit"]:
        wrong = frames["miss"] + frames["invented"]
        lines.append(
            f"| turns, F1 of 10 ms frames | {frames['hit'] / (frames['hit'] + wrong / 2):.3f} |"
        )
        lines.append(f"| turns, share of speech found | {_share(frames, 'hit', 'miss'):.3f} |")
        lines.append(
            f"| turns, share of found that is speech | {_share(frames, 'hit', 'invented'):.3f} |"
        )
    if frames["owner_right"]:
        right = _share(frames, "owner_right", "owner_wrong")
        lines.append(
            f"| single talk given to the right person (leak -9 dB or less) | {right:.4f} |"
        )
    errors: dict[str, list[float | None]] = defaultdict(list)
    for each in scores:
        for error in each["errors"]:
            errors[error["what"]].append(error["error"])
    for what, values in errors.items():
        known = np.array([value for value in values if value is not None])
        if what == "polarity wrong":
            lines.append(f"| polarity wrong | {int(known.sum())} of {len(known)} stated |")
        elif len(known):
            middle, size = np.median(known), np.abs(known)
            p95 = np.percentile(size, 95)
            lines.append(
                f"| error of {what} | median {middle:+.2f}, 95 % within {p95:.2f};"
                f" measured in {len(known)} of {len(values)} |"
            )
    return lines


def _share(frames: dict[str, int], part: str, rest: str) -> float:
    return frames[part] / max(frames[part] + frames[rest], 1)
