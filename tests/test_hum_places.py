"""Where a hum is: in a cable, which one microphone has, or in the room, which both hear alike."""

from pathlib import Path

import numpy as np
import pytest
import soundfile as sf
from speech_scene import INTERVIEWER, RATE_HZ, SUBJECT, make
from test_hum import tones

from dualmic.record import TakeRecord
from dualmic.take import check_take

FRIDGE = {49.9: -56.0, 99.8: -60.0, 149.7: -62.0, 249.5: -66.0}


def checked(folder: Path, levels_db: dict[int, float], gains_db: tuple[float, float]) -> TakeRecord:
    """Check a take with a hum in some microphones, so much louder or softer than it is."""
    scene = make(4)
    hum = tones(FRIDGE, len(scene.samples) / RATE_HZ)
    for mic, level_db in levels_db.items():
        scene.samples[:, mic] += 10 ** (level_db / 20) * np.roll(hum, 140 * mic)
    sf.write(folder / "a.wav", scene.samples * 10 ** (np.array(gains_db) / 20), RATE_HZ, "PCM_24")
    return check_take([folder / "a.wav"])


@pytest.mark.parametrize("gains_db", [(0.0, 0.0), (-12.0, 2.0)])
def test_a_hum_that_both_hear_alike_is_in_the_room(
    tmp_path: Path, gains_db: tuple[float, float]
) -> None:
    record = checked(tmp_path, {INTERVIEWER: 0.0, SUBJECT: -4.0}, gains_db)
    hums = [p for p in record.problems if p.kind == "hum"]
    assert [p.mic for p in hums] == ["interviewer", "subject"]
    assert all("it is in the room, in no cable" in p.heard for p in hums)
    assert any("both microphones hear it" in told for told in record.set_up)
    assert not any("cables away from mains" in told for told in record.set_up)


@pytest.mark.parametrize("levels_db", [{SUBJECT: 0.0}, {INTERVIEWER: 6.0, SUBJECT: -8.0}])
def test_a_hum_in_one_or_far_louder_in_one_is_in_a_cable(
    tmp_path: Path, levels_db: dict[int, float]
) -> None:
    record = checked(tmp_path, levels_db, (0.0, 0.0))
    hums = [p for p in record.problems if p.kind == "hum"]
    assert {p.mic for p in hums} >= {"subject"}
    assert all("An electric buzz" in p.heard for p in hums)
    assert sum("cables away from mains" in told for told in record.set_up) == len(hums)
