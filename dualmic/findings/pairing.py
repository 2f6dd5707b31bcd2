"""What only two microphones can show: one dead, both the same, opposite polarity, crosstalk."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dualmic.findings.base import ENDS_S, Finding, Limits, as_note, overlaps
from dualmic.hearing import Hearing
from dualmic.meters.crosstalk import pause_power
from dualmic.meters.loudness import RELATIVE_GATE_LU
from dualmic.meters.masks import runs_of
from dualmic.meters.width import DUAL_MONO_DB
from dualmic.stack import let_go
from dualmic.tiles import Mask, Powers, power_db

# Our choices: the pauses within three seconds of a section, half a second of them at least, in the
# bands above 1.2 kHz, where no hum is.
NEAR_S = 3.0
LEAST_NEAR_CELLS = 50
MOST_CELLS = 360_000  # of two hours every second cell is enough, of three every third
TURNED_BANDS = slice(3, 6)
# Our choice: a section tells the least that leaks; of simulated ones the middle reads 0.7 dB less.
LEAST_DB = 1.0
# Our choice: a few seconds tell a leak to some 1 dB; a section that is over by less only may be.
SURELY_OVER_DB = 1.0
JUMPS_ALONG = 0.5  # our choice: at least so much of a jump shows in what leaks there
MUTED_S, LEAST_MUTED = 0.3, 2  # our choice: a lost word is no habit


def mic_dead(hearing: Hearing, _limits: Limits) -> list[Finding]:
    """Return the stretches in which a microphone holds nothing while somebody talks."""
    found = []
    for mic in (0, 1):
        other = hearing.activity.own[0] | hearing.activity.own[1]
        for start, end in zip(*runs_of(hearing.dead[mic]), strict=True):
            mine = hearing.activity.own[mic][start:end]
            if not other[start:end].any() or (not mine.any() and _mutes(hearing, mic, start, end)):
                continue
            end_s = hearing.measured.duration_s if end >= hearing.measured.cells else end / 100
            found.append(
                Finding(
                    "mic_dead",
                    mic,
                    start / 100,
                    end_s,
                    "fail" if mic == 1 else "warn",
                    round(end_s - start / 100, 2),
                    0.0,
                    "s",
                    spoils=True,
                    facts={"whole": start <= 50 and end >= hearing.measured.cells - 50},
                )
            )
    return found


def _mutes(hearing: Hearing, mic: int, start: int, end: int) -> bool:
    """Whether a pack mutes itself while its wearer is silent: it did so outside these cells too."""
    muted = [
        run
        for run in hearing.measured.held[mic]
        if run.end_s - run.start_s >= MUTED_S
        and (run.end_s <= start / 100 or run.start_s >= end / 100)
    ]
    return len(muted) >= LEAST_MUTED


def dual_mono(hearing: Hearing) -> list[Finding]:
    """Return the stretches of five seconds or more in which both channels carry one signal."""
    measured = hearing.measured
    offsets = float(measured.levels.dc_offset[0] * measured.levels.dc_offset[1])
    return [
        Finding(
            "dual_mono",
            None,
            start / 100,
            measured.duration_s if end >= measured.cells else end / 100,
            "warn",
            round(residual_db, 1),
            DUAL_MONO_DB,
            "dB",
            facts={"inverted": float(measured.width.product[start:end].mean()) < offsets},
        )
        for start, end, residual_db in hearing.dual_mono
    ]


def polarity(hearing: Hearing, _limits: Limits) -> list[Finding]:
    """Return a finding if the microphones have opposite polarity.

    Both directions have to arrive, and what they say of the sign has to be one: where one of them
    is too swung to say, the other is enough.
    """
    arrivals = [leak.arrival for leak in hearing.leaks]
    signs = {a.polarity if a else "none" for a in arrivals}
    if signs in ({"opposite"}, {"opposite", None}):
        return [Finding("polarity", None, 0.0, hearing.measured.duration_s, "warn")]
    return []


@dataclass(frozen=True)
class Section:
    """A stretch of somebody's turns, how loud it leaks once levelled, and if it surely is."""

    start_s: float
    end_s: float
    level_db: float
    sure: bool


def crosstalk(
    hearing: Hearing,
    limits: Limits,
    same: Sequence[Finding] = (),
    changes: Sequence[Finding] = (),
) -> list[Finding]:
    """Return the stretches in which the other voice is too strong, once both are levelled.

    Where both channels are the ``same`` microphone no leak can be told, nor of the whole take.
    Of what ``changes``, a gain that sets itself makes backgrounds in pauses say nothing of how far
    inputs are turned up under words, a background that changes in a section may be what came up in
    the other microphone there, and a level that jumps may be an input that was turned.
    """
    limit = limits.crosstalk_warn_db
    found: list[Finding] = []
    if limit is None:
        return found
    for speaker in (0, 1):
        into = 1 - speaker
        change_db = limits.levelled_db[into]
        level = hearing.leaks[speaker].level
        if change_db is None or level is None:
            continue
        levelled = _levelled(hearing, speaker, change_db, limit, same, changes)
        over = _joined(levelled, limit)
        whole_db = level.level_db + change_db
        everywhere = all(each.level_db > limit - LEAST_DB for each in levelled)
        told = bool(levelled) or level.stands_out
        if whole_db > limit and everywhere and told and not same:
            over = [Section(0.0, hearing.measured.duration_s, whole_db, sure=True)]
        for section in over:
            times = section.start_s, min(section.end_s, hearing.measured.duration_s)
            value = round(section.level_db, 1)
            finding = Finding("crosstalk", into, *times, "warn", value, limit, "dB")
            found.append(finding if section.sure else as_note(finding))
    return found


def _levelled(
    hearing: Hearing,
    speaker: int,
    change_db: float,
    limit: float,
    same: Sequence[Finding],
    changes: Sequence[Finding],
) -> list[Section]:
    """Return the sections of one speaker's turns, levelled, those in ``same`` left out."""
    sections = hearing.leaks[speaker].sections
    loud = [each for each in sections if each[2] + change_db > limit - LEAST_DB]
    up_db = {}
    if loud and not any(f.facts.get("automatic") for f in changes):
        up_db = dict(zip(loud, _turned_up(hearing, speaker, loud), strict=True))
    rooms = [f for f in changes if f.kind == "background_change"]
    jumps = [f for f in changes if _is_left(hearing, f)]
    levelled = []
    for section in sections:
        start_s, end_s, leak_db = section
        if overlaps(start_s, end_s, same, -ENDS_S):
            continue
        level_db = leak_db + change_db - up_db.get(section, 0.0)
        apart_db = _apart_by(jumps, hearing, speaker, start_s)
        sure = level_db > limit + SURELY_OVER_DB + max(apart_db, 0.0)
        sure = sure and not overlaps(start_s, end_s, rooms, 0.0)
        levelled.append(Section(start_s, end_s, level_db, sure))
    return levelled


def _is_left(hearing: Hearing, jump: Finding) -> bool:
    """Whether a jump of the level is a gain that was turned, and was not undone.

    What leaks into that microphone jumps with it then; of who turns round it does not.
    """
    if jump.kind != "level_jump" or jump.mic is None or not jump.value:
        return False
    if any(
        gain.mic == jump.mic and jump.start_s - ENDS_S <= gain.at_s <= jump.end_s + ENDS_S
        for gain in hearing.gains
    ):
        return False
    sections = hearing.leaks[1 - jump.mic].sections
    before = [level_db for _, end_s, level_db in sections if end_s <= jump.end_s]
    after = [level_db for start_s, _, level_db in sections if start_s >= jump.start_s]
    if not before or not after:
        return False
    return bool((np.median(after) - np.median(before)) / jump.value > JUMPS_ALONG)


def _apart_by(jumps: Sequence[Finding], hearing: Hearing, speaker: int, at_s: float) -> float:
    """Return by how much jumps put the other's input over the speaker's at a moment, in dB.

    Against the loudness of the take, over which both are levelled.
    """
    over_db = [_over_usual([j for j in jumps if j.mic == m], hearing, at_s) for m in (0, 1)]
    return over_db[1 - speaker] - over_db[speaker]


def _over_usual(jumps: Sequence[Finding], hearing: Hearing, at_s: float) -> float:
    """Return how far a microphone's jumps put it over its own loudness at a moment, in dB.

    Speech taken to go on evenly; what lies under the relative gate of BS.1770-5 does not count.
    """
    ordered = sorted(jumps, key=lambda jump: jump.start_s)
    edges_s = np.array([0.0, *(jump.start_s for jump in ordered), hearing.measured.duration_s])
    level_db = np.concatenate([[0.0], np.cumsum([jump.value or 0.0 for jump in ordered])])
    lasts_s = np.diff(edges_s)
    power = 10 ** (level_db / 10)
    gate = np.average(power, weights=lasts_s) * 10 ** (RELATIVE_GATE_LU / 10)
    loud = power > gate
    usual_db = power_db(float(np.average(power[loud], weights=lasts_s[loud])))
    here = int(np.searchsorted(edges_s[1:-1], at_s, side="right"))
    return float(level_db[here] - usual_db)


def _turned_up(
    hearing: Hearing, speaker: int, sections: Sequence[tuple[float, float, float]]
) -> list[float]:
    """Return how far the other's input was turned up around each section in dB, at least 0.

    Where a microphone is turned up for a while, leak and wearer both come up, and so does its
    background, alike in all bands and in that microphone alone.
    """
    pause = hearing.activity.pause & ~(hearing.dead[0] | hearing.dead[1] | hearing.shared)
    if pause.sum() < LEAST_NEAR_CELLS:
        return [0.0] * len(sections)
    usual_db = _background_apart(hearing, speaker, slice(0, len(pause)), pause)
    turned_up = []
    for start_s, end_s, _ in sections:
        near = slice(max(round((start_s - NEAR_S) * 100), 0), round((end_s + NEAR_S) * 100))
        if pause[near].sum() < LEAST_NEAR_CELLS:
            turned_up.append(0.0)
            continue
        apart_db = _background_apart(hearing, speaker, near, pause)
        let_go()
        # Backgrounds also change by themselves: doubt may only take a finding away.
        turned_up.append(max(float((apart_db - usual_db).min()), 0.0))
    return turned_up


def _background_apart(hearing: Hearing, speaker: int, part: slice, pause: Mask) -> Powers:
    """Return how far the other's background lies over the speaker's in each band, in dB.

    What lies in pauses beside the background, a crack or words that nobody was given, is left out.
    """
    thin = max((part.stop - part.start) // MOST_CELLS, 1)
    part = slice(part.start, part.stop, thin)
    powers = 10 ** (hearing.bands_db[:, part, TURNED_BANDS].astype(np.float32) / 10)
    noise = [[pause_power(band, pause[part]) for band in mic.T] for mic in powers]
    own_db, other_db = (power_db(np.array(noise[mic])) for mic in (speaker, 1 - speaker))
    return other_db - own_db


def _joined(sections: Sequence[Section], limit: float) -> list[Section]:
    """Join neighbouring sections over the limit, keeping the highest level."""
    joined: list[Section] = []
    before_over = False
    for each in sections:
        over = each.level_db > limit
        if over and before_over:
            first = joined.pop()
            level_db = max(first.level_db, each.level_db)
            joined.append(Section(first.start_s, each.end_s, level_db, first.sure or each.sure))
        elif over:
            joined.append(each)
        before_over = over
    return joined
