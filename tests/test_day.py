"""A day's folder goes in and one page comes out; what is whole is not done again."""

import errno
import os
import shutil
from dataclasses import replace
from pathlib import Path

import msgspec
import pytest
from day_runs import OPTIONS, rows, run, sound, write

from dualmic import day as day_module
from dualmic.errors import ReportError
from dualmic.overnight import looking, worker
from dualmic.overnight.jobs import Answer, Job
from dualmic.settings import Marks, People, RoleRule, Settings


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """One take, its backup, a bad backup of another, and a file that is no recording."""
    base = tmp_path_factory.mktemp("day")
    folder, out = base / "cards", base / "reports"
    write(folder / "A" / "C1.wav", sound())
    (folder / "B").mkdir()
    shutil.copy(folder / "A" / "C1.wav", folder / "B" / "C1.wav")
    write(folder / "A" / "C2.wav", sound(0.5)[:-100])
    bad = sound(0.5)[:-100]
    bad[4000] += 0.1
    write(folder / "B" / "C2.wav", bad)
    (folder / "B" / "C3.mov").write_bytes(b"\0\0\0\x20ftypqt  " + bytes(2000))
    run(folder, out)
    return folder, out


@pytest.fixture
def day(finished: tuple[Path, Path], tmp_path: Path) -> tuple[Path, Path]:
    folder, out = finished
    shutil.copytree(out, tmp_path / "reports")
    return folder, tmp_path / "reports"


def test_every_file_is_accounted_for(finished: tuple[Path, Path]) -> None:
    found = rows(finished[1])
    assert {name: row.status for name, row in found.items()} == {
        "A/C1.wav": "done",
        "B/C1.wav": "copy",
        "A/C2.wav": "done",
        "B/C2.wav": "done",
        "B/C3.mov": "failed",
    }
    assert found["B/C1.wav"].copy_of == "A/C1.wav"
    assert found["B/C3.mov"].reason


def test_a_backup_with_other_sound_is_a_finding(finished: tuple[Path, Path]) -> None:
    found = rows(finished[1])
    assert "bad copy" in found["A/C2.wav"].notes[0]
    assert "bad copy" in found["B/C2.wav"].notes[0]
    assert not found["A/C1.wav"].notes


def test_the_page_links_to_reports_that_are_there(finished: tuple[Path, Path]) -> None:
    _, out = finished
    page = (out / "index.html").read_text("utf-8")
    for row in rows(out).values():
        assert row.name in page
        if row.page:
            assert (out / row.page).is_file()
            assert f'href="{row.page}"' in page
    assert (out / "day.pdf").read_bytes().startswith(b"%PDF")
    assert "B/C3.mov" in (out / "day.csv").read_text("utf-8-sig")


def test_what_most_needs_somebody_comes_first(finished: tuple[Path, Path]) -> None:
    assert next(iter(rows(finished[1]))) == "B/C3.mov"
    assert list(rows(finished[1]))[-1] == "B/C1.wav"


def test_a_finished_day_is_not_done_again(day: tuple[Path, Path]) -> None:
    folder, out = day
    before = {path: path.stat().st_mtime_ns for path in out.glob("takes/*/*")}
    _, said = run(folder, out)
    assert [line.split(":")[0] for line in said[:-1]] == ["B/C3.mov"]
    assert {path: path.stat().st_mtime_ns for path in out.glob("takes/*/*")} == before


def test_a_damaged_report_is_made_again_and_no_other(day: tuple[Path, Path]) -> None:
    folder, out = day
    page = out / (rows(out)["A/C1.wav"].page or "")
    page.write_bytes(page.read_bytes()[:100])
    (out / ".day" / "checksums.index").write_bytes(b'{"half')
    _, said = run(folder, out)
    assert [line.split(":")[0] for line in said[:-1]] == ["B/C3.mov", "A/C1.wav"]
    assert page.stat().st_size > 1000


def test_a_rule_for_one_file_redoes_that_file_only(day: tuple[Path, Path]) -> None:
    folder, out = day
    rule = RoleRule(files="C1*", interviewer=2, subject=1)
    options = replace(OPTIONS, settings=Settings(roles=[rule]))
    _, said = run(folder, out, options=options)
    assert [line.split(":")[0] for line in said[:-1]] == ["B/C3.mov", "A/C1.wav"]


def test_new_marks_are_drawn_without_listening_again(day: tuple[Path, Path]) -> None:
    folder, out = day
    old = rows(out)["A/C1.wav"]
    name = (out / (old.page or "")).with_suffix(".json")
    # A value that no measurement gives shows whether the take was measured again.
    name.write_text(name.read_text().replace('"duration_s": ', '"duration_s": 7', 1))
    known = out / ".day" / f"{old.key}.json"
    state = msgspec.json.decode(known.read_bytes())
    state["written"][name.relative_to(out).as_posix()] = name.stat().st_size
    known.write_bytes(msgspec.json.encode(state))
    run(folder, out, options=replace(OPTIONS, settings=Settings(marks=Marks(project="Locks"))))
    assert "Locks" in (out / (old.page or "")).read_text("utf-8")
    assert '"duration_s": 7' in name.read_text()


def test_a_new_time_with_the_same_sound_is_no_new_take(day: tuple[Path, Path]) -> None:
    folder, out = day
    page = out / (rows(out)["A/C1.wav"].page or "")
    before = page.stat().st_mtime_ns
    os.utime(folder / "A" / "C1.wav", (1_700_000_000, 1_700_000_000))
    run(folder, out)
    assert page.stat().st_mtime_ns == before


def test_two_runs_do_not_write_to_one_folder(day: tuple[Path, Path]) -> None:
    from dualmic.overnight.state import DayState

    with DayState(day[1]).locked(), pytest.raises(ReportError, match="Another run"):
        run(*day)


def test_reports_never_go_into_the_folder_that_is_checked(day: tuple[Path, Path]) -> None:
    with pytest.raises(ReportError, match="lies inside"):
        run(day[0], day[0] / "reports")


def test_a_folder_that_cannot_be_written_is_named(day: tuple[Path, Path], tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(ReportError, match="Cannot write"):
        run(day[0], tmp_path / "file" / "reports")


def test_no_space_for_the_page_is_one_clear_line(
    day: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(descriptor: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    # A page that is whole and up to date is not written again, so it has to be missing.
    (day[1] / "index.html").unlink()
    table = (day[1] / "day.csv").read_bytes()
    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(ReportError, match="No space left"):
        run(*day)
    assert not (day[1] / "index.html").exists()
    assert (day[1] / "day.csv").read_bytes() == table


def test_a_private_day_names_nothing_and_nobody(tmp_path: Path) -> None:
    folder, out = tmp_path / "Informant" / "cards", tmp_path / "out"
    write(folder / "Moorhen" / "Kestrel.wav", sound())
    shutil.copytree(folder / "Moorhen", folder / "Backup-Osprey")
    (folder / "Moorhen" / "Bittern.mov").write_bytes(b"\0\0\0\x20ftypqt  " + bytes(2000))
    settings = Settings(people=People(subject="Redshank"), marks=Marks(project="Curlew"))
    _, said = run(folder, out, options=replace(OPTIONS, settings=settings), private=True)
    names = [
        "Informant",
        "Moorhen",
        "Kestrel",
        "Osprey",
        "Bittern",
        "Redshank",
        "Curlew",
        str(tmp_path),
    ]
    written = [path for path in out.rglob("*") if path.is_file()]
    assert len(written) > 12
    for path in written:
        told = path.relative_to(out).as_posix().encode() + path.read_bytes()
        assert not [name for name in names if name.lower().encode() in told.lower()], path
    # The screen, which is not kept, says which is which.
    done = [row for row in rows(out).values() if row.status == "done"]
    assert any("Kestrel.wav" in line and done[0].name in line for line in said)
    assert done[0].page and f"/{done[0].name}.html" in done[0].page
    before = {path: path.stat().st_mtime_ns for path in out.glob("takes/*/*")}
    run(folder, out, options=replace(OPTIONS, settings=settings), private=True)
    assert {path: path.stat().st_mtime_ns for path in out.glob("takes/*/*")} == before
    with pytest.raises(ReportError, match="private reports"):
        run(folder, out)


def test_reports_with_names_do_not_become_private_by_a_second_run(day: tuple[Path, Path]) -> None:
    with pytest.raises(ReportError, match="reports with names"):
        run(*day, private=True)


def test_a_recording_without_its_sound_is_not_passed_over(tmp_path: Path) -> None:
    folder, out = tmp_path / "card", tmp_path / "out"
    whole = write(folder / "C1.wav", sound()).read_bytes()
    (folder / "C1.wav").write_bytes(whole[:36])  # header and format, and not a sample
    run(folder, out)
    assert "holds no sound" in (rows(out)["C1.wav"].reason or "")


def test_a_damaged_file_is_not_read_again_until_it_changes(
    day: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    folder, out = day
    # Its head says that there is sound, in a channel that is not there.
    options = replace(OPTIONS, interviewer=5, subject=1)
    run(folder, out, options=options)
    monkeypatch.setattr(looking, "isolated", None)  # nothing may be read any more
    monkeypatch.setattr(day_module, "isolated", None)
    status, said = run(folder, out, options=options)
    assert status == 1
    told = {line.split(":")[0]: line for line in said[:-1]}
    assert "B/C3.mov" in told
    assert "channel 5" in told["A/C1.wav"]


@pytest.mark.parametrize("lost", ["batch", "file"])
def test_a_file_that_crashes_whoever_opens_it_takes_no_other_with_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, lost: str
) -> None:
    bad = write(tmp_path / "card" / "C2.wav", sound()[:-8])
    write(tmp_path / "card" / "C1.wav", sound())

    def isolated(job: Job) -> Answer:
        if str(bad) in job.paths and (lost == "file" or len(job.paths) > 1):
            return Answer(error="The process was killed by signal 11.", lost=True)
        return worker.do(job)

    monkeypatch.setattr(looking, "isolated", isolated)
    run(tmp_path / "card", tmp_path / "out")
    found = rows(tmp_path / "out")
    assert found["C1.wav"].status == "done"
    if lost == "batch":
        assert found["C2.wav"].status == "done"
    else:
        assert "signal 11" in (found["C2.wav"].reason or "")
