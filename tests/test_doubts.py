"""What else was found, or was not, makes some findings no more than notes."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import speech_scene
from speech_scene import INTERVIEWER, RATE_HZ, SUBJECT

from dualmic.cracking import Crack
from dualmic.findings import Limits, all_findings
from dualmic.findings.base import Finding
from dualmic.findings.changes import changes
from dualmic.findings.doubts import doubted
from dualmic.findings.pairing import crosstalk
from dualmic.hearing import Hearing, hear
from dualmic.measure import measure
from dualmic.problems import to_problems
from dualmic.record import Roles
from dualmic.unwanted import Unwanted


@cache
def heard() -> Hearing:
    samples = speech_scene.make(5).samples.astype(np.float32)
    return hear(measure([samples], RATE_HZ, 2, bit_depth=24))


@pytest.mark.parametrize(
    ("mic", "over_db", "severity"),
    [(SUBJECT, 22.0, "note"), (SUBJECT, 30.0, "warn"), (INTERVIEWER, 22.0, "warn")],
)
def test_how_a_word_begins_before_the_gain_follows_is_no_sure_crack(
    mic: int, over_db: float, severity: str
) -> None:
    """The subject's gain sets itself: a crack has to be more abrupt than any word.

    It lies in words of one person or the other.
    """
    hearing = heard()
    at_s = next((start_s + end_s) / 2 for who, start_s, end_s in hearing.turns if who == mic)
    cracks: list[list[Crack]] = [[], []]
    cracks[mic] = [Crack(at_s, over_db, sure=True)]
    hearing = replace(hearing, unwanted=Unwanted([[], []], cracks))
    gain = Finding("level_jump", SUBJECT, 0.0, 60.0, "warn", facts={"automatic": True})
    found = all_findings(hearing, Limits(), (0, 1), known={changes: [gain]})
    assert [(f.mic, f.severity) for f in found if f.kind == "click"] == [(mic, severity)]


def severities(*findings: Finding) -> list[str]:
    return [f.severity for f in doubted(heard(), list(findings))]


def crack(over_db: float, at_s: float = 5.0, mic: int = SUBJECT, count: int = 1) -> Finding:
    return Finding("click", mic, at_s, at_s, "warn", over_db, 16.0, "dB", count=count)


def test_a_faint_crack_is_doubted_where_no_other_bears_it_out() -> None:
    """A creaky voice cracks as abruptly again and again; plugs that are loose do so further."""
    assert severities(crack(17.0)) == ["note"]
    assert severities(crack(24.0)) == ["warn"]
    assert severities(crack(17.0), crack(20.0, 9.0)) == ["note", "note"]
    assert severities(crack(17.0), crack(24.0, 9.0)) == ["warn", "warn"]
    assert severities(crack(17.0, count=2)) == ["note"]
    assert severities(crack(17.0), crack(30.0, mic=INTERVIEWER)) == ["note", "warn"]


def gust(level_dbfs: float, start_s: float = 5.0) -> Finding:
    return Finding("wind", SUBJECT, start_s, start_s + 1, "warn", level_dbfs, -37.0, "dBFS")


def test_a_gust_whose_mean_stays_under_its_limit_is_doubted_if_it_is_the_only_one() -> None:
    assert severities(gust(-37.5)) == ["note"]
    assert severities(gust(-36.5)) == ["warn"]
    assert severities(gust(-37.5), gust(-20.0, 9.0)) == ["warn", "warn"]


@pytest.mark.parametrize(
    ("cloth_s", "sure", "severity"),
    [(1.2, True, "note"), (0.8, True, "warn"), (1.2, False, "warn")],
)
def test_cloth_under_most_of_it_may_pass_for_a_second_voice(
    cloth_s: float, sure: bool, severity: str
) -> None:
    talk = Finding("both_talking", None, 5.0, 7.0, "warn", 1.5, 0.8, "s")
    cloth = Finding("rustle", SUBJECT, 5.2, 5.2 + cloth_s, "warn" if sure else "note", 9.0)
    assert severities(talk, cloth)[0] == severity


@pytest.mark.parametrize(
    ("noise_db", "noisy_mic", "severity"),
    [(9.0, SUBJECT, "note"), (20.0, SUBJECT, "warn"), (9.0, INTERVIEWER, "warn")],
)
def test_a_loud_place_may_pass_for_a_leak(noise_db: float, noisy_mic: int, severity: str) -> None:
    leak = Finding("crosstalk", SUBJECT, 0.0, 60.0, "warn", -6.0, -8.0, "dB")
    noise = Finding("noise", noisy_mic, 0.0, 60.0, "fail", noise_db, 12.0, "dB")
    assert severities(leak, noise)[0] == severity


@pytest.mark.parametrize(("noise_db", "severity"), [(9.0, "note"), (11.0, "warn")])
@pytest.mark.parametrize("noisy_mic", [INTERVIEWER, SUBJECT])
def test_only_a_background_near_the_voice_may_pass_for_a_second_one(
    noise_db: float, severity: str, noisy_mic: int
) -> None:
    talk = Finding("both_talking", None, 5.0, 7.0, "warn", 1.5, 0.8, "s")
    noise = Finding("noise", noisy_mic, 0.0, 60.0, "warn", noise_db, 22.0, "dB")
    assert severities(talk, noise)[0] == severity


@pytest.mark.parametrize(("silences", "severity"), [(3, "note"), (2, "warn")])
def test_a_microphone_that_mutes_itself_tells_little_of_leaks(silences: int, severity: str) -> None:
    """Of what leaks into it, and of cloth on the other one, which would leak into it."""
    facts = {"muted": True}
    muted = Finding("dropout", SUBJECT, 5.0, 60.0, "note", 9e3, count=silences, facts=facts)
    leaks = [Finding("crosstalk", mic, 0.0, 60.0, "warn", -6.0, -8.0, "dB") for mic in (0, 1)]
    cloth = [Finding("rustle", mic, 7.0, 8.0, "warn", 9.0, 4.5, "dB") for mic in (0, 1)]
    assert severities(*leaks, *cloth, muted)[:4] == ["warn", severity, severity, "warn"]


def test_lost_sound_counts_among_what_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """It is found before all that is told from sound."""
    muted = Finding("dropout", SUBJECT, 5.0, 60.0, "note", count=9, facts={"muted": True})
    leak = Finding("crosstalk", SUBJECT, 0.0, 60.0, "warn", -6.0, -8.0, "dB")
    monkeypatch.setattr("dualmic.findings.dropouts.dropouts", lambda *_: [muted])
    monkeypatch.setattr("dualmic.findings.pairing.crosstalk", lambda *_, **__: [leak])
    found = all_findings(heard(), Limits(), (0, 1))
    assert [f.severity for f in found if f.kind == "crosstalk"] == ["note"]


@pytest.mark.parametrize(("change_s", "severity"), [(5.1, "note"), (5.9, "note"), (7.0, "warn")])
def test_a_machine_that_starts_is_no_gust(change_s: float, severity: str) -> None:
    change = Finding("background_change", None, change_s, change_s, "warn", 12.0, 8.0, "dB")
    assert severities(gust(-20.0), gust(-20.0, 30.0), change)[0] == severity


@pytest.mark.parametrize(
    ("frequency_hz", "length_s", "severity"),
    [(56.0, 5.0, "note"), (50.6, 5.0, "warn"), (59.7, 5.0, "warn"), (56.0, 20.0, "warn")],
)
def test_a_deep_voice_may_pass_for_a_hum_of_no_grid(
    frequency_hz: float, length_s: float, severity: str
) -> None:
    facts = {"frequency_hz": frequency_hz}
    hum = Finding("hum", SUBJECT, 10.0, 10.0 + length_s, "warn", -60.0, None, "dBFS", facts=facts)
    assert severities(hum) == [severity]
    assert severities(hum, replace(hum, start_s=40.0, end_s=50.0)) == ["warn", "warn"]


@pytest.mark.parametrize(
    ("goes", "severity"),
    [((1, 1, 1, 0, 1), "note"), ((1, 1, 0, 1), "warn"), ((1, 0, 1, 0, 1), "warn")],
)
def test_backgrounds_that_go_again_and_again_may_be_gates(
    goes: tuple[int, ...], severity: str
) -> None:
    """They come back unseen, with words; a machine is once missed at most as it comes."""
    heard_changes = [
        Finding(
            "background_change", None, 9.0 * k, 9.0 * k + 0.2, "warn", -12.0 if gone else 12.0, 6.0
        )
        for k, gone in enumerate(goes)
    ]
    assert set(severities(*heard_changes)) == {severity}


def test_a_doubt_is_put_in_words_and_once() -> None:
    """A note that was one before says what it said."""
    (told,) = doubted(heard(), [crack(17.0)])
    (known,) = doubted(heard(), [replace(crack(17.0), severity="note")])
    roles = Roles(interviewer=0, subject=1, decided_by="default")
    heard_of = [problem.heard for problem in to_problems([told, known], roles, None)]
    assert heard_of == [
        "Perhaps a crack in the subject's microphone.",
        "A crack in the subject's microphone.",
    ]
    assert doubted(heard(), [told]) == [told]


@pytest.mark.parametrize(
    ("over_db", "change_at_s", "severity"),
    [(0.7, None, "note"), (1.3, None, "warn"), (3.0, 8.0, "note"), (3.0, 12.0, "warn")],
)
def test_a_section_leaks_for_sure_if_it_is_plainly_over_the_limit_and_nothing_else_came_up(
    over_db: float, change_at_s: float | None, severity: str
) -> None:
    """Of the subject's turns from 5 to 10 s; the rest of the take leaks 10 dB less."""
    limit = Limits().crosstalk_warn_db
    assert limit is not None
    own = heard().leaks[INTERVIEWER]
    leak = heard().leaks[SUBJECT]
    assert leak.level is not None
    sections = [(5.0, 10.0, limit + over_db), (15.0, 20.0, limit - 10)]
    level = replace(leak.level, level_db=limit - 8)
    leaks = (own, replace(leak, sections=sections, level=level))
    hearing = replace(heard(), leaks=leaks)
    limits = Limits(levelled_db=(0.0, 0.0))
    at_s = change_at_s
    rooms = [] if at_s is None else [Finding("background_change", None, at_s, at_s + 1, "warn")]
    found = [f for f in crosstalk(hearing, limits, changes=rooms) if f.mic == INTERVIEWER]
    assert [(f.start_s, f.end_s, f.severity) for f in found] == [(5.0, 10.0, severity)]


@pytest.mark.parametrize(("leaks_there_db", "severity"), [(-24.0, "note"), (-14.0, "warn")])
def test_a_section_leaks_by_what_its_speakers_input_was_turned_down(
    leaks_there_db: float, severity: str
) -> None:
    """By 10 dB after half the take. Where what leaks into it stays, its wearer turned round."""
    into, out = heard().leaks[INTERVIEWER], heard().leaks[SUBJECT]
    assert into.level is not None
    assert out.level is not None
    leaks = (
        replace(
            into,
            sections=[(1.0, 4.0, -14.0), (44.0, 48.0, leaks_there_db)],
            level=replace(into.level, level_db=-16.0),
        ),
        replace(
            out,
            sections=[(5.0, 10.0, -13.0), (49.0, 53.0, -4.5)],
            level=replace(out.level, level_db=-11.0),
        ),
    )
    jump = Finding("level_jump", SUBJECT, 40.0, 40.2, "note", -10.0, 3.0, "dB")
    limits = Limits(levelled_db=(0.0, 0.0))
    found = crosstalk(replace(heard(), leaks=leaks), limits, changes=[jump])
    told = [(f.start_s, f.end_s, f.severity) for f in found if f.mic == INTERVIEWER]
    assert told == [(49.0, 53.0, severity)]


def test_neighbouring_sections_are_as_sure_as_the_surest_of_them() -> None:
    leak = heard().leaks[SUBJECT]
    assert leak.level is not None
    level = replace(leak.level, level_db=-16.0)
    for levels_db, severity in (((-7.5, -4.0), "warn"), ((-7.5, -7.2), "note")):
        sections = [(5.0, 10.0, levels_db[0]), (12.0, 16.0, levels_db[1])]
        leaks = (heard().leaks[INTERVIEWER], replace(leak, sections=sections, level=level))
        limits = Limits(levelled_db=(0.0, 0.0))
        found = crosstalk(replace(heard(), leaks=leaks), limits)
        told = [(f.start_s, f.end_s, f.severity) for f in found if f.mic == INTERVIEWER]
        assert told == [(5.0, 16.0, severity)]
