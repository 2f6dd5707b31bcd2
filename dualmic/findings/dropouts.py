"""Lost sound: what vanishes or freezes, told from microphones that fall silent by themselves.

A pack or gate that mutes itself, a recording so quiet that its background lies under the last bit,
and sound that was processed are all silent in pauses, and no word of them is lost. There, sound has
died away before it is silent; lost sound is torn off.
"""

from collections import Counter

import numpy as np

from dualmic.findings.base import Finding, Limits
from dualmic.findings.hiss import held_down
from dualmic.findings.holes import holes
from dualmic.findings.lost_words import silent_between_words, with_fades
from dualmic.hearing import Hearing
from dualmic.meters.clipping import CEILING_STEP_DB
from dualmic.meters.continuity import (
    DYING_RUNS,
    LONGEST_TOP_S,
    TORN_STEPS,
    HeldRun,
    dies_away,
)
from dualmic.meters.masks import cells_of
from dualmic.record import Severity
from dualmic.stack import let_go
from dualmic.tiles import Floats, Mask

# All our choices.
DROPOUT_GAP_S = 0.25  # lost moments closer than this are one event
# A run of silence is inside a word if sound stood this far over the background just beside it.
CUT_DB = 10.0
AUDIBLE_OFFSET = 1e-4  # less than a quiet background's own power
BESIDE_S = 0.03
# Coders fill their first and last frame up: at 48 kHz to 2112 samples of AAC (from memory). Nobody
# can hear that a take began or ended so much sooner.
PADDING_S = 0.05
# Above this share of a take, silent pauses are told once.
MUTED_SHARE = 0.05
# A pack or gate that mutes itself takes a good part of the time in which nobody speaks, and so does
# a background under the last bit; sound that is lost now and then takes little of it.
MUTED_PAUSES_SHARE = 0.2
# A gate closes once the sound has died away: nearly all its silences begin at about one level,
# which is its threshold. What begins so far above it was torn away, if it stood near the voice's
# own level and was no fade of some milliseconds, as in an edit.
OVER_CLOSING_DB, CLOSING_PERCENTILE, CLOSING_RUNS = 15.0, 75.0, 5
TORN_UNDER_VOICE_DB = 25.0
FADE_DB = 10.0  # the last millisecond under the last five
# It also has to be its wearer's: a gate closes some time after words, on the other person's if need
# be, and holds 0.15 s and more.
WORDS_BEFORE_S = 0.1
TOPS_BESIDE_S = 0.25  # where wind runs into a ceiling, others are flat beside it


def dropouts(hearing: Hearing, limits: Limits) -> list[Finding]:
    """Return the moments at which sound vanishes or freezes."""
    found = []
    for mic in (0, 1):
        let_go()
        cut, muted = _sorted_runs(hearing, mic)
        for group in _grouped(cut):
            gone_ms = sum(run.end_s - run.start_s for run in group) * 1000
            severity: Severity = "fail" if gone_ms >= limits.dropout_ms else "note"
            found.append(
                Finding(
                    "dropout",
                    mic,
                    group[0].start_s,
                    group[-1].end_s,
                    severity,
                    round(gone_ms, 1),
                    limits.dropout_ms,
                    "ms",
                    count=len(group),
                    spoils=severity == "fail",
                    facts={"frozen": any(run.value != 0 for run in group)},
                )
            )
        found += _mutes(hearing, mic, muted)
    return found


def _sorted_runs(hearing: Hearing, mic: int) -> tuple[list[HeldRun], list[HeldRun]]:
    """Split held runs into those that cut into sound and those in pauses; dead stretches aside."""
    cut: list[HeldRun] = []
    muted: list[HeldRun] = []
    dead = hearing.dead[mic]
    power = _power(hearing, mic)
    live = power[power > 1e-14]
    least = float(np.percentile(live, 10, overwrite_input=True)) if len(live) else 0.0
    least *= 10 ** (CUT_DB / 10)
    del live
    let_go()
    dying = dies_away(hearing.measured.held[mic])
    silent = _silent_values(hearing.measured.held[mic])
    closing = _closing_power(hearing, mic, power, silent, least)
    hisses = _hisses_in_pauses(hearing, mic, power)
    down = held_down(hearing, mic)
    for run in hearing.measured.held[mic]:
        start, end = int(run.start_s * 100), int(np.ceil(run.end_s * 100))
        if run in down or _is_clipped_top(hearing, mic, run):
            continue
        at_edge = run.start_s <= 0 or run.end_s >= hearing.measured.duration_s
        if dead[start:end].any() or (at_edge and not _speech_in(hearing, mic, start, end)):
            continue
        if at_edge and run.end_s - run.start_s <= PADDING_S:
            continue
        if run.steps < TORN_STEPS and dying:
            is_cut = False
        elif closing is not None and (run.value in silent or (dying and np.isnan(run.value))):
            # Hiss counts as its silence: that is how the last bit sounds as it flickers.
            torn = run.before > closing and run.last > run.before * 10 ** (-FADE_DB / 10)
            is_cut = torn and speaks_before(hearing, mic, start)
        elif run.is_hiss and hisses:
            is_cut = _speech_in(hearing, mic, start, end)
        else:
            beside = _speech_in(hearing, mic, start, end) or _loudest(power, start, end) > least
            is_torn = run.steps >= TORN_STEPS and beside
            is_cut = is_torn or silent_between_words(hearing, mic, run)
        (cut if is_cut else muted).append(run)
    cut = sorted([*cut, *holes(hearing, mic)], key=lambda run: run.start_s)
    return with_fades(cut, power, least), muted


def _power(hearing: Hearing, mic: int) -> Floats:
    """Return the power of a microphone about its offset, ``(cells,)``."""
    levels = hearing.measured.levels
    offset = float(levels.dc_offset[mic])
    if abs(offset) < AUDIBLE_OFFSET:
        return levels.power[mic]
    return np.maximum(levels.power[mic] - np.float32(offset * offset), 0)


def _is_clipped_top(hearing: Hearing, mic: int, run: HeldRun) -> bool:
    """Whether a held run is the ceiling that wind or a shout ran into: that is clipping."""
    ceiling = float(hearing.measured.tops.top[mic, int(run.value < 0)])
    at_ceiling = abs(run.value) > ceiling * 10 ** (-CEILING_STEP_DB / 20)
    if run.is_hiss or not at_ceiling or run.end_s - run.start_s > LONGEST_TOP_S:
        return False
    first, last = run.start_s - TOPS_BESIDE_S, run.end_s + TOPS_BESIDE_S
    return bool(hearing.clipped[mic][max(round(first * 100), 0) : round(last * 100)].any())


def _closing_power(
    hearing: Hearing, mic: int, power: Floats, silent: set[float], least: float
) -> float | None:
    """Return the level above which a microphone never falls silent by itself; None for others.

    ``least``: what stands out over its background.
    """
    measured = hearing.measured
    silences = [run for run in measured.held[mic] if run.value in silent and not run.is_hiss]
    held = cells_of([(run.start_s, run.end_s) for run in silences], measured.cells)
    nobody = _nobody(hearing, mic)
    dying = dies_away(measured.held[mic])
    if not dying and (held & nobody).sum() <= MUTED_PAUSES_SHARE * nobody.sum():
        return None
    levels = [run.before for run in silences if run.steps >= TORN_STEPS]
    closing = 0.0
    if len(levels) >= CLOSING_RUNS:
        usual = float(np.percentile(levels, CLOSING_PERCENTILE))
        closing = usual * 10 ** (OVER_CLOSING_DB / 10)
    own = hearing.activity.own[mic] & ~held
    if own.any():
        voice = float(np.median(power[own]))
        closing = max(closing, voice * 10 ** (-TORN_UNDER_VOICE_DB / 10))
    # In a loud place a gate that is open a while after words closes on the place's own noise.
    return max(closing, least)


def _silent_values(runs: list[HeldRun]) -> set[float]:
    """Return what a channel holds where it is silent: zero, or its converter's own offset."""
    times = Counter(run.value for run in runs if not np.isnan(run.value))
    return {0.0} | {value for value, number in times.items() if number >= DYING_RUNS}


def _hisses_in_pauses(hearing: Hearing, mic: int, power: Floats) -> bool:
    """Whether a microphone is turned down to hiss for much of the time in which nobody speaks.

    That happens once words have died away. Of somebody who is torn off, nobody hears the rest.
    """
    runs = [run for run in hearing.measured.held[mic] if run.is_hiss]
    if not runs:
        return False
    nobody = _nobody(hearing, mic)
    hiss = cells_of([(run.start_s, run.end_s) for run in runs], hearing.measured.cells)
    between = power[nobody & ~hiss]
    if len(between):
        loud = float(np.median(between)) * 10 ** (CUT_DB / 10)
        starts = [int(run.start_s * 100) for run in runs]
        reach = round(BESIDE_S * 100)
        torn = [power[max(start - reach, 0) : start].max(initial=0) > loud for start in starts]
        calm = [run for run, is_torn in zip(runs, torn, strict=True) if not is_torn]
        hiss = cells_of([(run.start_s, run.end_s) for run in calm], hearing.measured.cells)
    return bool((hiss & nobody).sum() > MUTED_PAUSES_SHARE * nobody.sum())


def _nobody(hearing: Hearing, mic: int) -> Mask:
    own = hearing.activity.own
    nobody: Mask = ~(own[0] | own[1]) & ~hearing.dead[mic]
    return nobody


def _loudest(power: np.ndarray, start: int, end: int) -> float:
    """Return the loudest cell right before or after a silence."""
    reach = round(BESIDE_S * 100)
    before, after = power[max(start - reach, 0) : start], power[end : end + reach]
    return float(max(before.max(initial=0), after.max(initial=0)))


def _speech_in(hearing: Hearing, mic: int, start: int, end: int) -> bool:
    """Whether the wearer speaks on both sides of it within one stretch of speech."""
    own = hearing.activity.own[mic]
    return bool(own[max(start - 2, 0) : end + 2].all()) and end > start


def speaks_before(hearing: Hearing, mic: int, start: int) -> bool:
    """Whether the wearer speaks just before a cell, and the other person does not."""
    before = slice(max(start - round(WORDS_BEFORE_S * 100), 0), start)
    own, other = (hearing.activity.own[each][before] for each in (mic, 1 - mic))
    return bool(own.any()) and not other.all()


def _grouped(runs: list[HeldRun]) -> list[list[HeldRun]]:
    groups: list[list[HeldRun]] = []
    for run in runs:
        if groups and run.start_s - groups[-1][-1].end_s <= DROPOUT_GAP_S:
            groups[-1].append(run)
        else:
            groups.append([run])
    return groups


def _mutes(hearing: Hearing, mic: int, muted: list[HeldRun]) -> list[Finding]:
    """One note for a pack that mutes itself in pauses; single silent pauses are listed as notes."""
    if not muted:
        return []
    total_s = sum(run.end_s - run.start_s for run in muted)
    if len(muted) >= 3 or total_s > MUTED_SHARE * hearing.measured.duration_s:
        runs = [(muted[0].start_s, muted[-1].end_s)]
    else:
        runs = [(run.start_s, run.end_s) for run in muted]
    return [
        Finding(
            "dropout",
            mic,
            start_s,
            end_s,
            "note",
            round(total_s * 1000, 1),
            None,
            "ms",
            count=len(muted),
            facts={"muted": True},
        )
        for start_s, end_s in runs
    ]


def dropout_ms_by_turn(hearing: Hearing, found: list[Finding]) -> list[float]:
    """Return the lost milliseconds of every turn on its speaker's own microphone."""
    lost = []
    for mic, start_s, end_s in hearing.turns:
        lost.append(
            sum(
                f.value or 0.0
                for f in found
                if f.kind == "dropout"
                and f.mic == mic
                and not f.facts.get("muted")
                and f.start_s < end_s
                and f.end_s > start_s
            )
        )
    return lost
