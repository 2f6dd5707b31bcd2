"""Under a gain that sets itself a crack is sure only if it is more abrupt than any word."""

from dataclasses import replace

import numpy as np
import pytest
import speech_scene
from speech_scene import INTERVIEWER, RATE_HZ, SUBJECT

from dualmic.cracking import Crack
from dualmic.findings import Limits, all_findings
from dualmic.findings.base import Finding
from dualmic.findings.changes import changes
from dualmic.hearing import hear
from dualmic.measure import measure
from dualmic.unwanted import Unwanted


@pytest.mark.parametrize(
    ("mic", "over_db", "severity"),
    [(SUBJECT, 22.0, "note"), (SUBJECT, 30.0, "warn"), (INTERVIEWER, 22.0, "warn")],
)
def test_how_a_word_begins_before_the_gain_follows_is_no_sure_crack(
    mic: int, over_db: float, severity: str
) -> None:
    """The subject's gain sets itself; the crack lies in words of one person or the other."""
    scene = speech_scene.make(5)
    hearing = hear(measure([scene.samples.astype(np.float32)], RATE_HZ, 2, bit_depth=24))
    at_s = next((start_s + end_s) / 2 for who, start_s, end_s in hearing.turns if who == mic)
    cracks: list[list[Crack]] = [[], []]
    cracks[mic] = [Crack(at_s, over_db, sure=True)]
    hearing = replace(hearing, unwanted=Unwanted([[], []], cracks))
    gain = Finding("level_jump", SUBJECT, 0.0, 60.0, "warn", facts={"automatic": True})
    found = all_findings(hearing, Limits(), (0, 1), known={changes: [gain]})
    assert [(f.mic, f.severity) for f in found if f.kind == "click"] == [(mic, severity)]
