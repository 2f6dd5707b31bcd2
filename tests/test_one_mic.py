"""Both people on one microphone: a file of one channel is checked, reported and drawn."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile as sf
from speech_scene import RATE_HZ, make

import dualmic.take as take_module
from dualmic import commands
from dualmic.asked import CheckAsked
from dualmic.cli import main
from dualmic.errors import UsageError
from dualmic.record import TakeRecord, read
from dualmic.roles import decide_roles
from dualmic.take import CheckOptions, check_take


def shared(clip: tuple[float, float] | None = None) -> np.ndarray:
    """Return what one microphone between two people hears; ``clip``: a stretch recorded too hot."""
    samples = 0.7 * make(rounds=3).samples.sum(axis=1)
    if clip:
        part = slice(round(clip[0] * RATE_HZ), round(clip[1] * RATE_HZ))
        samples[part] = np.clip(samples[part] * 30, -1, 1) * 0.8
    return samples


def check(samples: np.ndarray, folder: Path, **options: object) -> TakeRecord:
    path = folder / "take.wav"
    sf.write(path, samples, RATE_HZ, "PCM_24")
    return check_take([path], CheckOptions(one_mic=True, **options))


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> TakeRecord:
    return check(shared(), tmp_path_factory.mktemp("good"))


def test_a_good_take_on_one_microphone_is_usable(good: TakeRecord) -> None:
    assert (good.verdict, good.kind_of_take, good.problems) == ("usable", "interview", [])
    assert {d.result for d in good.deliveries.values()} == {"pass"}


def test_the_record_has_one_microphone_and_nothing_of_the_stand_in(good: TakeRecord) -> None:
    assert list(good.mics) == ["subject"]
    assert (good.roles.interviewer, good.roles.subject) == (None, 1)
    assert "one microphone" in good.roles.decided_by
    assert [(c.channel, c.role) for c in good.channels] == [(1, "subject")]
    assert good.crosstalk is None
    assert good.overview.interviewer is None
    assert good.overview.subject is not None
    checks = {check.id for check in good.deliveries["film"].checks}
    # Nothing that compares two microphones is asked.
    assert not checks & {"crosstalk", "dual_mono", "mic_dead", "mono_ripple", "open_mics_noise"}
    assert {check.mic for check in good.deliveries["film"].checks} <= {"subject", None}


def test_everything_spoken_counts_as_answers(good: TakeRecord) -> None:
    # Truth: where the utterances of both people were placed.
    spoken = make(rounds=3).spoken
    assert {turn.speaker for turn in good.turns} == {"subject"}
    assert good.turns[0].start_s == pytest.approx(spoken[0][1], abs=0.3)
    assert good.turns[-1].end_s == pytest.approx(spoken[-1][2], abs=0.3)
    said_s = sum(end_s - start_s for _, start_s, end_s in spoken)
    assert good.mics["subject"].speech_s == pytest.approx(said_s, rel=0.1)


def test_its_programme_is_the_microphone_in_mono(good: TakeRecord) -> None:
    # ITU-R BS.1770-5: a channel of silence adds nothing to the sum of channels.
    mono = good.mics["subject"].loudness.integrated_lufs
    assert good.programme.integrated_lufs == pytest.approx(mono, abs=0.001)


@pytest.mark.parametrize("who", [0, 1])
def test_words_of_either_person_that_crackle_are_at_risk(who: int, tmp_path: Path) -> None:
    start_s, end_s = next(place[1:] for place in make(rounds=3).spoken[2:] if place[0] == who)
    record = check(shared((start_s, end_s)), tmp_path)
    (line,) = record.at_risk
    assert line.because == ["clipping"]
    assert line.start_s < (start_s + end_s) / 2 < line.end_s
    assert record.verdict == "usable but for these answers"


def test_of_several_channels_the_one_asked_for_is_taken(tmp_path: Path) -> None:
    quiet = np.random.default_rng(1).normal(0, 1e-4, len(shared()))
    two = np.stack([quiet, shared()], axis=1)
    record = check(two, tmp_path, subject=2)
    assert record.roles.subject == 2
    assert [c.role for c in record.channels] == ["unused", "subject"]
    assert record.verdict == "usable"
    assert record.mics["subject"].channel == 2


def test_a_copy_at_lower_gain_saves_it_as_well(tmp_path: Path) -> None:
    start_s, end_s = make(rounds=3).spoken[2][1:]
    part = slice(round(start_s * RATE_HZ), round(end_s * RATE_HZ))
    loud = shared()
    loud[part] *= 12
    record = check(np.stack([np.clip(loud, -1, 1), loud / 10], axis=1), tmp_path)
    assert [(c.role, c.safety_of) for c in record.channels] == [("subject", None), ("safety", 1)]
    assert [line.covered_by.channel for line in record.at_risk if line.covered_by] == [2]
    assert record.verdict == "usable"


def test_the_command_reports_it_in_every_form(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "mono.wav"
    sf.write(path, shared(make(rounds=3).answers()[1]), RATE_HZ, "PCM_24")
    arguments = ["check", str(path), "--one-mic", "--report", str(tmp_path / "reports")]
    with pytest.raises(SystemExit) as ended:
        main(arguments, standalone_mode=False)
    assert ended.value.code == 1
    screen = capfd.readouterr().out
    assert "The microphone:" in screen
    assert "interviewer" not in screen
    record = read(tmp_path / "reports" / "mono.json")
    assert list(record.mics) == ["subject"]
    page = (tmp_path / "reports" / "mono.html").read_text()
    assert "The one microphone" in page
    assert (tmp_path / "reports" / "mono.pdf").read_bytes().startswith(b"%PDF")


def test_a_problem_of_it_is_heard_on_both_sides(tmp_path: Path) -> None:
    path = tmp_path / "mono.wav"
    sf.write(path, shared(make(rounds=3).answers()[1]), RATE_HZ, "PCM_24")
    asked = CheckAsked([path], one_mic=True)
    assert commands.hear(asked, 1, folder=tmp_path) == 0
    clip, _ = sf.read(tmp_path / "mono-problem-1.wav")
    assert np.abs(clip[:, 0]).max() > 0.1
    assert np.array_equal(clip[:, 0], clip[:, 1])


def test_problems_have_the_numbers_that_check_gives_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The settings of the working folder say who is where, for check and hear alike.
    seen = []
    really = take_module.check_take

    def watched(paths: list[Path], options: CheckOptions, *others: Any) -> TakeRecord:
        seen.append(options.settings)
        return really(paths, options, *others)

    monkeypatch.setattr(take_module, "check_take", watched)
    monkeypatch.chdir(tmp_path)
    (tmp_path / "dualmic.toml").write_text("mains_hz = 60\n")
    make(rounds=1).write(tmp_path / "take.wav")
    assert commands.hear(CheckAsked([tmp_path / "take.wav"]), None) == 0
    assert [settings.mains_hz for settings in seen] == [60]


def test_two_different_channels_are_not_one_microphone() -> None:
    from test_roles import TWO

    with pytest.raises(UsageError, match="share a microphone, but two channels"):
        decide_roles(TWO, 1, 2, one_mic=True)
    with pytest.raises(UsageError, match="channel 3"):
        decide_roles(TWO, None, 3, one_mic=True)
    _, roles = decide_roles(TWO, 2, one_mic=True)
    assert (roles.interviewer, roles.subject) == (None, 2)
