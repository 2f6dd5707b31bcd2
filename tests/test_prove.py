"""The proof says what was due, what was read and whether it holds, and is remembered."""

import json
from dataclasses import replace
from pathlib import Path

import msgspec
import pytest

from dualmic import proof_cache, prove
from dualmic.prove import (
    Reading,
    all_passed,
    as_json,
    cached_proof,
    last_line,
    remember,
    run_proof,
    table,
)
from dualmic.record import Proof
from reference_signals import Row, all_rows, ebu, formats


@pytest.fixture(scope="module")
def readings() -> list[Reading]:
    """Case 1 of Tech 3341, two parts of case 13, the peaks of case 15, and an 8 kHz row."""
    chosen = [row for row in ebu.rows() if row.number.startswith(("3341-1", "3341-15"))]
    few = [row for row in chosen if row.number in ("3341-1", "3341-1 mono", "3341-15")]
    few += [row for row in chosen if row.number == "3341-13" and row.part in (1, 2)]
    return run_proof([*few, next(formats.rate_rows(8000))])


def test_a_row_is_read_from_the_record_of_a_check(readings) -> None:
    first = readings[0]
    assert (first.number, first.quantity) == ("3341-1", "programme.integrated_lufs")
    assert first.read == pytest.approx(-23.0, abs=0.1)
    assert first.difference == first.read - first.expected
    assert "Tech 3341" in first.source
    assert all_passed(readings)


def test_pyloudnorm_gives_a_second_opinion_where_it_has_one(readings) -> None:
    for reading in readings:
        has_one = reading.quantity == "programme.integrated_lufs"
        assert (reading.second_opinion is not None) == has_one
        if has_one:
            assert reading.second_opinion == pytest.approx(reading.expected, abs=0.1)


def _with_wrong_expectation(row: Row) -> Row:
    return replace(row, expected=row.expected + 1.0)


def test_a_reading_outside_its_tolerance_fails_the_proof() -> None:
    row = next(ebu.rows())
    readings = run_proof([_with_wrong_expectation(row)], second_opinion=False)
    assert not all_passed(readings)
    assert readings[0].difference == pytest.approx(-1.0, abs=0.1)
    printed = table(readings)
    assert any(line.startswith("! 3341-1 ") for line in printed)
    assert last_line(readings).startswith("Proof failed: 1 of 1 readings")


def test_nothing_measured_is_not_a_pass() -> None:
    assert not all_passed([])
    silent = replace(next(ebu.rows()), quantity="mics.interviewer.hum.frequency_hz")
    reading = run_proof([silent], second_opinion=False)[0]
    assert reading.read is None
    assert not reading.passed
    assert any("nothing" in line for line in table([reading]))


def test_the_table_fits_80_columns_and_ends_in_one_sentence(readings) -> None:
    lines = table(readings)
    assert max(map(len, lines)) <= 80
    assert lines[-1].startswith(f"Proof passed: all {len(readings)} readings")
    case_13 = [line for line in lines if "3341-13" in line]
    assert len(case_13) == 1
    assert "x2" in case_13[0]


def test_every_row_of_the_whole_proof_fits_80_columns() -> None:
    made = [
        Reading(
            number=row.number,
            part=row.part,
            made=row.signal.made,
            quantity=row.quantity,
            expected=row.expected,
            read=row.expected - 111.11,
            difference=-111.11,
            minus=row.minus,
            plus=row.plus,
            unit=row.unit,
            source=row.source,
            second_opinion=-23.02 if row.unit in ("LUFS", "LU") else None,
            passed=False,
        )
        for row in all_rows()
    ]
    assert max(map(len, table(made))) <= 80


def test_the_json_holds_every_reading(readings) -> None:
    report = json.loads(as_json(readings))
    assert report["passed"] is True
    assert [msgspec.convert(row, Reading) for row in report["readings"]] == readings


def test_the_outcome_is_remembered_for_this_machine_and_version(
    readings, tmp_path: Path, monkeypatch
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    assert cached_proof() == Proof()
    proof = remember(readings)
    assert (proof.result, proof.cases) == ("passed", len(readings))
    assert cached_proof() == proof
    assert [path.name for path in (tmp_path / "dualmic").iterdir()] == ["proof.json"]
    proof_cache._key.cache_clear()
    monkeypatch.setattr(proof_cache, "__version__", "another")
    assert cached_proof() == Proof()
    monkeypatch.undo()
    proof_cache._key.cache_clear()


def test_a_failed_proof_is_remembered_as_failed(readings, tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    remember([msgspec.structs.replace(readings[0], passed=False)])
    assert cached_proof().result == "failed"
    remember(readings)
    assert cached_proof().result == "passed"


def test_a_broken_or_closed_cache_is_no_error(readings, tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    file = tmp_path / "dualmic" / "proof.json"
    file.parent.mkdir()
    file.write_bytes(b"{half")
    assert cached_proof() == Proof()
    remember(readings)
    assert cached_proof().result == "passed"
    blocked = tmp_path / "blocked"
    blocked.write_text("a file where a folder should be")
    monkeypatch.setenv("XDG_CACHE_HOME", str(blocked))
    assert remember(readings).result == "passed"
    assert cached_proof() == Proof()


def test_the_proof_writes_nothing_where_it_is_run(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    run_proof([next(ebu.rows())], second_opinion=False)
    assert not list(tmp_path.iterdir())


def test_processes_that_share_the_signals_read_what_one_does(monkeypatch) -> None:
    monkeypatch.setattr(prove, "count_signals", lambda: 2)
    done: list[int] = []
    shared = run_proof(progress=done.append)
    first, second = list(prove._all_signals())[:2]
    assert shared == run_proof([*first, *second])
    assert done == [1, 2]
