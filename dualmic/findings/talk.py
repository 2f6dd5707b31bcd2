"""What the two voices do to each other: talking at once; one place for both microphones.

Whether two people talk at once, or one voice is merely loud in both microphones, shows in how the
levels move: a leak follows its voice up and down, another person's words do not.
"""

from typing import NamedTuple

import numpy as np

from dualmic.findings.base import Finding, Limits, as_note
from dualmic.findings.talk_ends import SHORTEST_S, TalkEnds
from dualmic.hearing import Hearing
from dualmic.meters.bands import voice_power
from dualmic.meters.masks import bridged, runs_of
from dualmic.meters.one_voice import TWO_SHARE
from dualmic.meters.speech import TURN_BRIDGE_S
from dualmic.meters.two_voices import TwoVoices
from dualmic.stack import let_go
from dualmic.tiles import Floats, Mask, power_db

# Our choice. What lasts longer than "mm" or "I see" is an interruption.
ASSENT_S = 0.8
# Our choice. Two voices for less than this may be one that leaks as it seldom does: of seven that
# were told in ten hours of simulated takes and were not there, six lasted no longer.
SURELY_S = 1.2
# Our choice. So long two voices are sure even where they show in nothing but in how they share the
# spectrum: of what was told so in 381 takes and was not there, one lasted 1.9 s and the rest 0.8 s
# at the most.
SHARED_SURELY_S = 2.2
TOGETHER_BRIDGE_S = 1.5
# Two channels of one place hear every voice alike: nine tenths of all speech lie within this,
# around a difference that two inputs of one camera may have. A live room, whose reflections differ
# between the two, makes 6 dB of it over a third of a second, people a little to the left and right
# of a camera's pair as much; shoulder to shoulder under lavaliers, 9 dB and more.
ONE_PLACE_SPREAD_DB, ONE_PLACE_CELLS = 7.0, 31
ONE_PLACE_APART_DB = 6.0
SURELY_ONE_PLACE_DB = 6.5  # people who sit 0.4 m apart reached 6.9 dB
ONE_PLACE_DELAY_MS = 1.0  # 34 cm: wider than any camera's own pair
CAMERA_DELAY_MS = 0.25  # 9 cm: as far apart as microphones are that a camera has built in
LEAST_SPEECH_S = 3.0


def both_talking(hearing: Hearing, _limits: Limits) -> list[Finding]:
    """Return where the interviewer talks under or over the subject's answer.

    Assents, shorter than :data:`ASSENT_S`, are notes, with ``facts["assent"]``.
    """
    own = hearing.activity.own
    gone = hearing.dead[0] | hearing.dead[1]
    together = own[0] & own[1] & ~gone
    voices: TwoVoices | None = None
    places = hearing.activity.places
    shown = np.zeros(len(together), bool) if places is None else places.together()
    let_go()
    at_once = hearing.activity.at_once
    blown = np.any(hearing.unwanted.blown(len(together)), axis=0)
    told: list[_Said] = []
    heard = bridged(together, round(TOGETHER_BRIDGE_S * 100))
    for start, end in zip(*runs_of(heard), strict=True):
        inside = together[start:end]
        length_s = float(inside.sum()) / 100
        if length_s < SHORTEST_S:
            continue
        if voices is None:
            activity = hearing.activity
            voices = TwoVoices(hearing.bands_db, activity.single, activity.pause)
        seen = shown[start:end][inside].mean() > TWO_SHARE
        parted = seen or voices.are_two(voices.apart(start, end, inside)[inside])
        let_go()
        if not parted and (at_once is None or at_once[start:end][inside].mean() <= TWO_SHARE):
            continue
        wind = blown[start:end] & inside
        for first, last in _pieces(inside, own[0, start:end]):
            length_s, windy_s = (float(row[first:last].sum()) / 100 for row in (inside, wind))
            # Thin evidence: wind on a microphone may pass for its wearer's voice; and only the
            # shared spectrum tells of two, neither levels nor places, and not for long.
            thin = windy_s > length_s / 2 or not (parted or length_s >= SHARED_SURELY_S)
            told.append(_Said(start + first, start + last, length_s, thin))
    let_go()
    return _whole(told, TalkEnds(hearing, together, heard)) if told else []


class _Said(NamedTuple):
    """What both say at once: cells ``first`` to before ``last``, in which both are heard so long.

    ``thin``: the evidence is.
    """

    first: int
    last: int
    length_s: float
    thin: bool


def _whole(told: list[_Said], ends: TalkEnds) -> list[Finding]:
    """Return what was told, each from its beginning to its end, none inside another."""
    found, before = [], 0
    for k, said in enumerate(told):
        after = told[k + 1].first if k + 1 < len(told) else ends.cells
        first, before = ends.span(said.first, said.last, before, after)
        found.append(_of_talk(said._replace(first=first, last=before)))
    return found


def _of_talk(said: _Said) -> Finding:
    """Return the finding; a note if it is short or the evidence is thin."""
    length_s = said.length_s
    assent = length_s < ASSENT_S
    finding = Finding(
        "both_talking",
        None,
        said.first / 100,
        said.last / 100,
        "note" if said.thin or assent else "warn",
        round(length_s, 2),
        ASSENT_S,
        "s",
        facts={"assent": assent},
    )
    return finding if length_s >= SURELY_S else as_note(finding)


def _pieces(inside: Mask, interviewer: Mask) -> list[tuple[int, int]]:
    """Return the parts of a stretch in which both talk: an assent beside something longer is apart.

    Parts are what the interviewer says between pauses.
    """
    pieces: list[tuple[int, int]] = []
    asks = bridged(interviewer, round(TURN_BRIDGE_S * 100))
    for start, end in zip(*runs_of(asks), strict=True):
        at = start + np.flatnonzero(inside[start:end])
        if not len(at):
            continue
        piece = int(at[0]), int(at[-1]) + 1
        if pieces:
            shorter_s = min(inside[slice(*each)].sum() for each in (pieces[-1], piece)) / 100
            if not SHORTEST_S <= shorter_s < ASSENT_S:
                piece = pieces.pop()[0], piece[1]
        pieces.append(piece)
    return pieces


def one_place(hearing: Hearing) -> list[Finding]:
    """Return a finding if both channels hear both people equally loud and at once."""
    speech: Mask = hearing.activity.own[0] | hearing.activity.own[1]
    speech = speech & ~(hearing.dead[0] | hearing.dead[1])
    if speech.sum() < LEAST_SPEECH_S * 100:
        return []
    apart_db = power_db(_levels(hearing, 0)[speech]) - power_db(_levels(hearing, 1)[speech])
    low, middle, high = np.percentile(apart_db, [5, 50, 95])
    arrivals = [leak.arrival for leak in hearing.leaks if leak.arrival is not None]
    delays = [arrival.delay_ms for arrival in arrivals if arrival.delay_ms is not None]
    together = bool(delays) and max(abs(delay) for delay in delays) < ONE_PLACE_DELAY_MS
    if not together or high - low > ONE_PLACE_SPREAD_DB or abs(middle) > ONE_PLACE_APART_DB:
        return []
    duration_s = hearing.measured.duration_s
    spread = float(high - low)
    told = round(spread, 1)
    found = Finding("one_place", None, 0.0, duration_s, "warn", told, ONE_PLACE_SPREAD_DB, "dB")
    # Of one person alone, the delay of a radio link may make up for the way from mouth to mouth.
    lags_ms = (0.0, 0.0) if hearing.activity.places is None else hearing.activity.places.lags_ms
    told_ms = [lag for lag in lags_ms if lag is not None]
    apart = len(told_ms) == 1 and abs(told_ms[0]) > CAMERA_DELAY_MS
    sure = spread <= SURELY_ONE_PLACE_DB and not apart
    return [found if sure else as_note(found)]


def _levels(hearing: Hearing, mic: int) -> Floats:
    """Return the power of voices in a microphone over so long that reflections even out."""
    return voice_power(hearing.bands_db[mic], smooth_cells=ONE_PLACE_CELLS)
