"""Every problem can be asked why: the measurement, the threshold, and where it comes from."""

from pathlib import Path

import pytest
import speech_scene as scene
from click.testing import CliRunner

from dualmic import cracking
from dualmic.cli import main
from dualmic.explain import RULES, explained
from dualmic.problems import WORDS
from dualmic.record import encode
from dualmic.take import check_take


@pytest.fixture(scope="module")
def clipped(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A take whose subject is too loud for the input."""
    built = scene.make(2)
    built.samples[:, scene.SUBJECT] *= 8
    return built.write(tmp_path_factory.mktemp("clipped") / "loud.wav")


def test_every_kind_of_problem_is_explained() -> None:
    assert set(WORDS) | {"peak_over"} == set(RULES)
    for rule in RULES.values():
        for threshold in rule.thresholds:  # the constant is there, and its value fits the words
            assert "{" not in threshold.line()


def test_a_threshold_is_read_where_it_lives(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cracking, "CLICK_DB", 17.25)
    (first, *_) = RULES["click"].thresholds
    assert first.line().startswith("17.25 dB")


def test_a_problem_shows_its_measurement_its_limits_and_their_sources(clipped: Path) -> None:
    record = check_take([clipped])
    text = "\n".join(explained(record))
    worst = next(p for p in record.problems if p.severity == "fail")
    check = next(c for c in record.deliveries["film"].checks if c.id == "clipping" and c.mic)
    assert f"{worst.value:g} ms" in text
    assert check.source in text
    assert "3 equal samples or more (our choice)" in text


def test_the_command_explains_a_take_and_a_saved_record_alike(clipped: Path, tmp_path) -> None:
    saved = tmp_path / "loud.json"
    saved.write_bytes(encode(check_take([clipped])))
    of_take = CliRunner().invoke(main, ["check", str(clipped), "--explain"]).output
    of_record = CliRunner().invoke(main, ["check", str(saved), "--from", "--explain"]).output
    assert "told by" in of_take
    assert of_take.count("\n1. ") == 1  # said once
    assert of_take[of_take.index("\n1. ") :] == of_record[of_record.index("\n1. ") :]


def test_nothing_found_needs_no_explanation(tmp_path: Path) -> None:
    record = check_take([scene.make(2).write(tmp_path / "good.wav")])
    assert explained(record) == ["No problem was found: there is nothing to explain."]
