"""How far a day is, how long it will go on, and what its command shows and passes on."""

import os
import pty
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from day_runs import OPTIONS, long_take, rows, sound, two_takes_in, write

from dualmic import cli
from dualmic.day import run_day
from dualmic.overnight.arrivals import Arrivals
from dualmic.overnight.finding import SeenFile
from dualmic.overnight.pace import Pace, Progress, left_in_words
from dualmic.overnight.showing import showing
from dualmic.record import read
from dualmic.take import check_take


class Clock:
    """A clock that a test sets."""

    def __init__(self) -> None:
        self.at_s = 0.0

    def __call__(self) -> float:
        return self.at_s


def test_equal_takes_at_an_even_pace_leave_what_is_left() -> None:
    now = Clock()
    pace = Pace(2, now)
    for number in range(100):
        pace.add(str(number), f"C{number}", 120.0)
    assert pace.progress().left_s is None
    for number in range(25):
        now.at_s += 4.0
        pace.finish(str(number))
    assert pace.progress().left_s == pytest.approx(300.0)
    assert (pace.progress().done, pace.progress().whole) == (25, 100)


def test_a_long_take_at_the_end_is_not_shared_by_two() -> None:
    now = Clock()
    pace = Pace(2, now)
    pace.add("long", "L", 14_400.0)
    for number in range(10):
        pace.add(str(number), f"C{number}", 600.0)
        pace.finish(str(number))
    # Two at once, each at 60 times real time: ten short ones and 6,600 s of the long one.
    pace.advance("long", 6_600.0)
    now.at_s = 110.0
    left_s = pace.progress().left_s
    assert left_s == pytest.approx(7_800 / 60, rel=0.05)
    assert pace.progress().current[0].name == "L"


def test_no_time_is_promised_before_there_is_something_to_go_by() -> None:
    assert left_in_words(None) == "time left not known yet"
    assert left_in_words(59) == "less than a minute left"
    assert left_in_words(3 * 3600) == "about 3 h left"


def test_in_a_pipe_progress_is_a_plain_line_now_and_then(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    now = Clock()
    monkeypatch.setattr("time.monotonic", now)
    with showing() as show:
        for second in range(150):
            now.at_s = float(second)
            show(Progress(3, 12, 3600, 14400, 1800))
    captured = capsys.readouterr()
    assert captured.err == "3 of 12 takes, 1:00:00 of 4:00:00, about 30 min left\n" * 2
    assert captured.out == ""


def test_on_a_terminal_all_takes_and_the_current_one_have_a_bar(tmp_path: Path) -> None:
    long_take(tmp_path / "card" / "C1.wav")
    lead, screen = pty.openpty()
    command = [sys.executable, "-m", "dualmic", "day", "card", "--out", "out", "--for", "podcast"]
    with subprocess.Popen(
        command,
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        stderr=screen,
        env={**os.environ, "TERM": "xterm", "COLUMNS": "100"},
    ) as process:
        os.close(screen)
        shown = b""
        while True:
            try:
                data = os.read(lead, 4096)
            except OSError:  # Linux: the other end is closed
                break
            if not data:
                break
            shown += data
        assert process.stdout
        told = process.stdout.read().decode()
    os.close(lead)
    text = re.sub(r"\x1b\[[0-9;?]*[a-zA-Z]", "", shown.decode())
    assert re.search(r"0 of 1 takes, \d+:\d\d of \d+:\d\d, (time left not known yet|.* left)", text)
    assert re.search(r"\d+:\d\d of \d+:\d\d  C1.wav", text)
    assert "━" in text
    # The result stays in the pipe it was asked for.
    assert told.startswith("C1.wav: ")
    assert "C1.wav: " not in text


def test_the_command_passes_on_what_it_was_asked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    two_takes_in(tmp_path / "card")
    asked: dict[str, object] = {}

    def run(folder: Path, out: Path, **more: object) -> int:
        asked.update(more)
        return 0

    monkeypatch.setattr("dualmic.day.run_day", run)
    line = "--interviewer 2 --subject 1 --one-mic --private --for podcast --jobs 3"
    given = ["day", str(tmp_path / "card"), "--out", str(tmp_path / "out"), *line.split()]
    result = CliRunner().invoke(cli.main, given)
    assert result.exit_code == 0, result.output
    options = asked["options"]
    assert (options.interviewer, options.subject, options.one_mic) == (2, 1, True)  # type: ignore[attr-defined]
    assert options.specs == ("podcast",)  # type: ignore[attr-defined]
    assert (asked["private"], asked["jobs"]) == (True, 3)


def test_channels_asked_for_hold_in_every_take(tmp_path: Path) -> None:
    folder, out = two_takes_in(tmp_path / "card"), tmp_path / "out"
    options = replace(OPTIONS, interviewer=2, subject=1)
    run_day(folder, out, jobs=1, options=options, say=lambda text: None)
    for row in rows(out).values():
        record = read((out / (row.page or "")).with_suffix(".json"))
        assert (record.roles.interviewer, record.roles.subject) == (2, 1)


def test_one_thread_measures_what_two_measure(tmp_path: Path) -> None:
    path = write(tmp_path / "C1.wav", sound())
    one, two = (check_take([path], replace(OPTIONS, workers=workers)) for workers in (1, 2))
    assert one == two


def test_a_file_is_taken_when_it_has_stopped_growing(tmp_path: Path) -> None:
    now = Clock()
    arrivals = Arrivals(now)
    path = tmp_path / "C1.wav"
    for at_s, size, settled in ((0, 10, False), (2, 20, False), (4, 20, True), (6, 30, False)):
        now.at_s = at_s
        assert bool(arrivals.settled([SeenFile(path, size, 0)])) is settled
    assert not arrivals.is_quiet(path)
    now.at_s = 40
    assert arrivals.is_quiet(path)


def test_watching_takes_a_file_that_arrives_later(tmp_path: Path) -> None:
    two_takes = two_takes_in(tmp_path / "card")
    late = tmp_path / "late.wav"
    (two_takes / "C2.wav").rename(late)
    said: list[str] = []

    def say(text: str) -> None:
        said.append(text)
        if text.startswith("C1.wav"):
            late.rename(two_takes / "C2.wav")
        if text.startswith("C2.wav"):
            raise KeyboardInterrupt

    assert run_day(two_takes, tmp_path / "out", jobs=1, watch=True, options=OPTIONS, say=say) == 0
    assert [text.split(":")[0] for text in said[:2]] == ["C1.wav", "C2.wav"]
