"""Holes in the midst of words: sound far under its microphone's own background.

A link or a cable that fails need not be silent at once, nor silent altogether: what is left may be
a receiver's own hiss, reached over some milliseconds (what is reached at once is a run of the
continuity meter). But no room is ever quieter than itself while somebody talks in it. A microphone
that gates or turns itself down is, in pauses as well as between words, and is left alone.
"""

import numpy as np

from dualmic.findings.lost_words import SHORTEST_S, between_words
from dualmic.hearing import Hearing
from dualmic.meters.bands import voice_power
from dualmic.meters.continuity import HeldRun
from dualmic.meters.masks import cells_of, holding, longer, runs_of
from dualmic.stack import let_go
from dualmic.tiles import CELLS_PER_S

# Our choices. Of 230 simulated takes with gates, limiters and automatic gain none fell 12 dB under
# the quietest tenth of its pauses in the midst of words; holes with faded edges fell 26 to 45 dB.
UNDER_DB, FAINT_PERCENTILE = 15.0, 10.0
LEAST_PAUSE_S = 1.0
MUTED_SHARE = 0.05  # of the time in which nobody speaks; what is quiet there turns itself down


def holes(hearing: Hearing, mic: int) -> list[HeldRun]:
    """Return the holes in the words of one microphone, those of the continuity meter left out."""
    power = voice_power(hearing.bands_db[mic])
    let_go()
    cells = len(power)
    spans = [(run.start_s, run.end_s) for run in hearing.measured.held[mic]]
    gone = cells_of(spans, cells) | hearing.dead[mic][:cells]
    nobody = hearing.activity.pause[:cells] & ~gone
    if nobody.sum() < LEAST_PAUSE_S * CELLS_PER_S:
        return []
    floor = float(np.percentile(power[nobody], FAINT_PERCENTILE))
    low = (power < floor * 10 ** (-UNDER_DB / 10)) & ~gone
    if (low & nobody).sum() > MUTED_SHARE * nobody.sum():
        return []
    words = hearing.activity.own[mic][:cells]
    # From where it falls under the background to where it is back at it.
    held = holding((power < floor) & ~gone, longer(low, round(SHORTEST_S * CELLS_PER_S)))
    found = []
    for start, end in zip(*runs_of(held), strict=True):
        if between_words(words, int(start), int(end)):
            span_s = int(start) / CELLS_PER_S, int(end) / CELLS_PER_S
            found.append(HeldRun(*span_s, 0.0, is_hiss=True))
    return found
