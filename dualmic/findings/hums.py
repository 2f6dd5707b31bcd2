"""Hum of the mains or a generator: where it is heard, and what it is over the whole take.

A hum stays while voices come and go, but ten seconds of one that never pauses hide it. So what it
is, is the median over all such groups; and it goes on through groups in which nothing shows that it
went: there its lines hold no less than they do elsewhere.
"""

from dataclasses import replace

import numpy as np

from dualmic.findings.base import Finding, Limits
from dualmic.hearing import Hearing
from dualmic.meters.hum import GROUP, HEARD_LINE_DB, HumLines, find_hum
from dualmic.meters.masks import middle, runs_of
from dualmic.meters.spectrum import a_weighting_db
from dualmic.stack import pieces
from dualmic.tiles import Floats, Mask

# Our choice: a hum that can be heard matters once it is less than 60 dB under the speech,
# A-weighted: a quiet room's own background lies there.
HUM_UNDER_SPEECH_DB = 60.0
OFF_MAINS_HZ = 1.0  # our choice: no grid strays that far, and weak hum is read to a tenth of it
# Our choice: a voice over a line may lower it by chance, by less than this.
LASTS_DB = 3.0
# Our choices: of a hum that is in the room, how far both microphones' readings of it lie apart, for
# how much of the shorter both hear it, and by how much standing waves make one hear it louder.
ALIKE_SHARE, TOGETHER_SHARE, ALIKE_DB = 0.01, 0.5, 8.0
_TOGETHER = 64  # bins, or groups; of no influence on results


def steady_hum(hearing: Hearing, mic: int, mains_hz: float | None = None) -> HumLines | None:
    """Return the hum of a microphone over the whole take, groups in which it is dead left out.

    A hum that fills less than half of the take is read from the mean of all groups.
    ``mains_hz`` is what the settings say of the mains, see :func:`find_hum`.
    """
    groups = hearing.measured.low.power[mic]
    live = np.array([not _dead(hearing, mic, k) for k in range(len(groups))], bool)
    live[live] = groups[live].any(axis=1)
    if not live.any():
        return None
    bins_hz = hearing.measured.low.bins_hz
    usual = find_hum(bins_hz, _median(groups, live), mains_hz)
    return usual or find_hum(bins_hz, _mean(groups, live), mains_hz)


def _median(groups: Floats, chosen: Mask) -> Floats:
    """Return the median of each bin over the chosen groups, some bins at a time."""
    parts = [
        middle(groups[chosen, first : first + _TOGETHER])
        for first in range(0, groups.shape[1], _TOGETHER)
    ]
    return np.concatenate(parts)


def _mean(groups: Floats, chosen: Mask) -> Floats:
    total = np.zeros(groups.shape[1])
    for piece in pieces(len(groups), _TOGETHER):
        total += groups[piece][chosen[piece]].sum(axis=0, dtype=np.float64)
    return (total / chosen.sum()).astype(np.float32)


def _dead(hearing: Hearing, mic: int, group: int) -> bool:
    cells = GROUP * 100
    return bool(hearing.dead[mic][group * cells : (group + 1) * cells].any())


def hum(hearing: Hearing, limits: Limits) -> list[Finding]:
    """Return the stretches in which mains or generator hum can be heard against the noise."""
    found = []
    measured = hearing.measured
    for mic in (0, 1):
        groups = measured.low.power[mic]
        heard = [
            None
            if _dead(hearing, mic, k)
            else find_hum(measured.low.bins_hz, power, limits.mains_hz)
            for k, power in enumerate(groups)
        ]
        told = [h if h is not None and _audible(hearing, mic, h) else None for h in heard]
        for start, end in lasting(measured.low.bins_hz, groups, told):
            inside = np.zeros(len(groups), bool)
            inside[[k for k in range(start, end) if heard[k] is not None]] = True
            usual = find_hum(measured.low.bins_hz, _median(groups, inside), limits.mains_hz)
            of_each = [h for h in told[start:end] if h is not None]
            power = usual.power if usual else float(np.median([h.power for h in of_each]))
            frequency = float(np.median([h.fundamental_hz for h in of_each]))
            starts_s, ends_s = _edges(hearing, mic, start, end, len(heard))
            found.append(
                Finding(
                    "hum",
                    mic,
                    starts_s,
                    ends_s,
                    "warn",
                    round(10 * np.log10(power), 1),
                    None,
                    "dBFS",
                    facts={
                        "frequency_hz": frequency,
                        "not_mains_hz": _other_than(limits.mains_hz, frequency),
                    },
                )
            )
    return _with_room(hearing, found)


def _with_room(hearing: Hearing, found: list[Finding]) -> list[Finding]:
    """Return the hums; of those that both microphones hear alike, that the room is where it is.

    Alike is one frequency at one time, about as far under the wearer's speech: gains differ.
    """
    alike = set[int]()
    for k, first in enumerate(found):
        for n, second in enumerate(found):
            if (first.mic, second.mic) == (0, 1) and _is_alike(hearing, first, second):
                alike |= {k, n}
    return [
        replace(f, facts={**f.facts, "in_room": True}) if k in alike else f
        for k, f in enumerate(found)
    ]


def _is_alike(hearing: Hearing, first: Finding, second: Finding) -> bool:
    low_hz, high_hz = sorted(_frequency_hz(f) for f in (first, second))
    shared_s = min(first.end_s, second.end_s) - max(first.start_s, second.start_s)
    shorter_s = min(f.end_s - f.start_s for f in (first, second))
    under_db = [_under_speech_db(hearing, mic, f) for mic, f in enumerate((first, second))]
    return bool(
        high_hz < (1 + ALIKE_SHARE) * low_hz
        and shared_s > TOGETHER_SHARE * shorter_s
        and abs(under_db[0] - under_db[1]) < ALIKE_DB
    )


def _frequency_hz(hum: Finding) -> float:
    told = hum.facts["frequency_hz"]
    assert isinstance(told, float)
    return told


def _under_speech_db(hearing: Hearing, mic: int, hum: Finding) -> float:
    """Return how far a hum lies under the wearer's speech, A-weighted; NaN if nobody knows."""
    floor, to_noise = hearing.floors[mic], hearing.speech_to_noise_db[mic]
    if floor is None or to_noise is None or hum.value is None:
        return float("nan")
    return floor.dba + to_noise - hum.value


def lasting(
    bins_hz: np.ndarray, groups: Floats, told: list[HumLines | None]
) -> list[tuple[int, int]]:
    """Return the runs of groups with hum, through those whose voices may hide it."""
    starts, ends = runs_of(np.array([h is not None for h in told], bool))
    runs = [(int(start), int(end)) for start, end in zip(starts, ends, strict=True)]
    joined = runs[:1]
    for start, end in runs[1:]:
        before = joined[-1][1]
        beside = [h for h in (told[before - 1], told[start]) if h is not None]
        # One group between two with hum had too loud a voice in it to tell.
        if start - before == 1 or _goes_on(bins_hz, groups[before:start], beside):
            joined[-1] = joined[-1][0], end
        else:
            joined.append((start, end))
    return joined


def _goes_on(bins_hz: np.ndarray, between: Floats, beside: list[HumLines]) -> bool:
    """Whether the strongest lines of the hums ``beside`` are held throughout ``between`` them."""
    least = 10 ** (-LASTS_DB / 10)
    for hum_lines in beside:
        frequency_hz, power = max(hum_lines.lines, key=lambda line: line[1])
        near = np.abs(bins_hz - frequency_hz) <= 2 * (bins_hz[1] - bins_hz[0])
        if float(between[:, near].sum(axis=1).min()) < least * power:
            return False
    return True


def _edges(hearing: Hearing, mic: int, start: int, end: int, groups: int) -> tuple[float, float]:
    """Return when a hum that fills some groups comes and goes, as finely as it is known."""
    starts_s = float(start * GROUP)
    ends_s = hearing.measured.duration_s if end == groups else float(end * GROUP)
    for edge in hearing.measured.low.edges:
        at_group = start if edge.comes else end
        if edge.channel == mic and abs(edge.at_s - at_group * GROUP) <= GROUP + 1:
            starts_s, ends_s = (edge.at_s, ends_s) if edge.comes else (starts_s, edge.at_s)
    return starts_s, ends_s


def _other_than(mains_hz: float | None, frequency_hz: float) -> float | None:
    """Return the mains frequency that was named where the hum is another, else None."""
    if mains_hz is None or abs(frequency_hz - mains_hz) <= OFF_MAINS_HZ:
        return None
    return mains_hz


def _audible(hearing: Hearing, mic: int, hum: HumLines) -> bool:
    """Whether a hum can be heard: against the noise, and not far below all speech."""
    if max(hum.over_noise_db) < HEARD_LINE_DB:
        return False
    level = 10 * np.log10(sum(p * 10 ** (a_weighting_db(f) / 10) for f, p in hum.lines) + 1e-20)
    floor, speech = hearing.floors[mic], hearing.speech_to_noise_db[mic]
    if floor is None or speech is None:
        return True
    return bool(level > floor.dba + speech - HUM_UNDER_SPEECH_DB)
