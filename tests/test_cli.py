"""The command line: one clear line for what cannot be done, the right exit status, whole help."""

import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import threading
from pathlib import Path

import click
import msgspec
import numpy as np
import pytest
import soundfile as sf
from click.testing import CliRunner, Result
from speech_scene import RATE_HZ, SUBJECT, make

from dualmic.asked import CheckAsked
from dualmic.cli import main
from dualmic.errors import ReportError
from dualmic.hear import write_clip
from dualmic.record import Problem
from dualmic.take import check_take

ROOT = Path(__file__).parent.parent


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, [str(a) for a in arguments])


@pytest.fixture(scope="module")
def good_take(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make(rounds=3).write(tmp_path_factory.mktemp("takes") / "good.wav")


def bad_inputs() -> dict[str, object]:
    def text(folder: Path) -> list[Path]:
        path = folder / "notes.wav"
        path.write_text("not a recording")
        return [path]

    def picture(folder: Path) -> list[Path]:
        from PIL import Image

        path = folder / "picture.png"
        Image.new("RGB", (32, 32)).save(path)
        return [path]

    def empty(folder: Path) -> list[Path]:
        path = folder / "empty.wav"
        path.touch()
        return [path]

    def one_channel(folder: Path) -> list[Path]:
        path = folder / "mono.wav"
        sf.write(path, np.zeros(4800), RATE_HZ)
        return [path]

    return {
        "no such file": lambda folder: [folder / "gone.wav"],
        "a folder": lambda folder: [folder],
        "an empty file": empty,
        "a text named .wav": text,
        "a picture": picture,
        "one channel only": one_channel,
    }


@pytest.mark.parametrize("what", bad_inputs())
def test_what_cannot_be_checked_gets_one_line_and_status_2(what: str, tmp_path: Path) -> None:
    result = run("check", *bad_inputs()[what](tmp_path))
    assert result.exit_code == 2
    assert result.stdout == ""
    (line,) = result.stderr.splitlines()
    assert line.startswith("dualmic: ")
    if what == "one channel only":
        assert "second file" in line


def test_a_channel_that_is_not_there_is_named(good_take: Path) -> None:
    result = run("check", good_take, "--subject", "3")
    assert result.exit_code == 2
    assert "channel 3" in result.stderr


def test_a_good_take_exits_0_and_a_spoilt_one_1(good_take: Path, tmp_path: Path) -> None:
    assert run("check", good_take).exit_code == 0
    built = make(rounds=3)
    start_s, end_s = built.answers()[0]
    part = slice(round(start_s * RATE_HZ), round(end_s * RATE_HZ))
    built.samples[part] = 0.0
    built.samples[:, SUBJECT] = np.clip(built.samples[:, SUBJECT] * 40, -1, 1)
    assert run("check", built.write(tmp_path / "bad.wav")).exit_code == 1


def test_an_answer_that_is_lost_is_a_failure_whatever_the_deliveries_say(tmp_path: Path) -> None:
    """A sample that is no number breaks an answer and is in no delivery's limits."""
    scene = make(4)
    start_s, end_s = scene.answers()[1]
    scene.samples[round((start_s + end_s) / 2 * RATE_HZ), SUBJECT] = np.nan
    path = tmp_path / "broken.wav"
    sf.write(path, scene.samples, RATE_HZ, subtype="FLOAT")
    record = check_take([path])
    assert record.verdict == "usable but for these answers"
    assert {d.result for d in record.deliveries.values()} <= {"pass", "warn"}
    assert run("check", path).exit_code == 1


@pytest.mark.parametrize("length_s", [0.5, 20.0])
def test_a_take_in_which_nobody_speaks_is_no_failure(length_s: float, tmp_path: Path) -> None:
    sf.write(tmp_path / "room.wav", np.zeros((round(length_s * RATE_HZ), 2)), RATE_HZ)
    result = run("check", tmp_path / "room.wav")
    assert result.exit_code == 0
    assert "NOTHING WAS RECORDED" in result.stdout


def test_the_json_on_standard_output_is_the_record_alone(good_take: Path) -> None:
    record = json.loads(run("check", good_take, "--json", "-").stdout)
    assert record["schema"] == "dualmic-take/1"
    assert record["verdict"] == "usable"


def test_nothing_is_written_beside_the_take(good_take: Path, tmp_path: Path) -> None:
    before = sorted(good_take.parent.iterdir())
    assert run("check", good_take, "--report", tmp_path / "out").exit_code == 0
    assert sorted(good_take.parent.iterdir()) == before
    assert {p.suffix for p in (tmp_path / "out").iterdir()} >= {
        ".json",
        ".png",
        ".svg",
        ".html",
        ".pdf",
        ".csv",
    }


def test_a_check_without_a_report_loads_no_heavy_library(good_take: Path) -> None:
    code = (
        "import sys; from dualmic.cli import main\n"
        f"try: main(['check', {str(good_take)!r}])\n"
        "except SystemExit: pass\n"
        "heavy = ('matplotlib', 'fpdf', 'jinja2', 'pyloudnorm', 'av', 'rich', 'scipy.signal')\n"
        "sys.stderr.write(' '.join(m for m in heavy if m in sys.modules))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stderr == ""


def test_the_screen_of_a_check_fits_80_by_40_in_a_pipe(good_take: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "dualmic", "check", str(good_take)],
        capture_output=True,
        text=True,
        env={**os.environ, "COLUMNS": "80"},
        check=True,
    )
    lines = done.stdout.splitlines()
    assert len(lines) <= 40
    assert max(map(len, lines)) <= 80
    assert "\x1b" not in done.stdout
    assert done.stderr == ""


def commands() -> dict[str, click.Command]:
    return dict(main.commands)


@pytest.mark.parametrize("name", commands())
def test_every_command_has_help_with_an_example(name: str) -> None:
    shown = run(name, "-h")
    assert shown.exit_code == 0
    assert f"dualmic {name}" in shown.output
    assert "Example" in shown.output
    for option in commands()[name].params:
        if isinstance(option, click.Option):
            assert option.help, f"{name} {option.opts} has no help"


def test_the_readme_names_every_command_and_option_and_no_other() -> None:
    readme = (ROOT / "README.md").read_text("utf-8")
    for name, command in commands().items():
        assert f"dualmic {name}" in readme
        for option in command.params:
            if isinstance(option, click.Option) and "--help" not in option.opts:
                long = next(o for o in option.opts if o.startswith("--"))
                assert f"`{long}" in readme, f"{name} {long} is not in the README"
    known = {o for c in commands().values() for p in c.params for o in p.opts}
    known |= {"--help", "--version"}
    told = set(re.findall(r"`(--[a-z-]+)", readme))
    assert told <= known


def test_the_readme_holds_the_two_set_up_commands() -> None:
    lines = (ROOT / "README.md").read_text("utf-8").splitlines()
    assert "python3 -m venv .venv && .venv/bin/pip install . && .venv/bin/dualmic demo" in lines
    assert (
        "python3 -m venv .venv && .venv/bin/pip install -e '.[test]' && .venv/bin/pytest" in lines
    )


def test_a_problem_can_be_heard(tmp_path: Path) -> None:
    from dualmic import commands

    built = make(rounds=3)
    first = round(built.answers()[0][0] * 10 + 10) * RATE_HZ // 10
    built.samples[first : first + 4800, SUBJECT] = 0.0
    take = built.write(tmp_path / "take.wav")
    listed = run("hear", take)
    assert listed.exit_code == 0
    assert "is gone for a moment" in listed.stdout
    assert commands.hear(CheckAsked([take]), 1, folder=tmp_path) == 0
    clip, rate = sf.read(tmp_path / "take-problem-1.wav")
    # A second before and after, both microphones, as recorded but for the fade at its start.
    assert rate == RATE_HZ
    assert clip.shape == (round(2.1 * RATE_HZ), 2)
    part = slice(first - RATE_HZ + RATE_HZ // 2, first + 4800 + RATE_HZ)
    assert np.abs(clip[RATE_HZ // 2 :] - built.samples[part]).max() < 1e-6
    assert run("hear", take, "99").exit_code == 2


def test_a_problem_on_two_recorders_is_heard_with_the_number_that_check_gives(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from dualmic import commands

    monkeypatch.chdir(tmp_path)
    built = make(rounds=2)
    first = round(built.answers()[0][0] * RATE_HZ) + RATE_HZ
    built.samples[first : first + 4800, SUBJECT] = 0.0
    files = [Path("2.wav"), Path("4")]  # the name of the last one is a number itself
    for path, samples in zip(files, built.samples.T[::-1], strict=True):
        sf.write(path, samples, RATE_HZ, "PCM_24", format="WAV")
    roles = ("--subject", "1", "--interviewer", "2")
    record = run("check", *files, *roles, "--json", "-")
    (gone,) = [p for p in json.loads(record.stdout)["problems"] if p["kind"] == "dropout"]
    listed = run("hear", *files, *roles).stdout.splitlines()
    assert "is gone for a moment" in listed[gone["id"] - 1]
    paths, number = commands.with_number([*map(str, files), str(gone["id"])])
    assert (paths, number) == (files, gone["id"])
    assert commands.with_number([str(path) for path in files]) == (files, None)
    asked = CheckAsked(paths, subject=1, interviewer=2)
    assert commands.hear(asked, number, folder=tmp_path) == 0
    (clip,) = tmp_path.glob(f"*-problem-{number}.wav")
    samples, _ = sf.read(clip)
    assert not samples[RATE_HZ + 48 : RATE_HZ + 4000, SUBJECT].any()
    assert samples[RATE_HZ : RATE_HZ + 4000, 1 - SUBJECT].any()


def test_a_folder_is_answered_with_what_can_be_done_with_it(tmp_path: Path) -> None:
    for command in ("check", "hear"):
        done = run(command, tmp_path)
        assert done.exit_code == 2
        assert done.stderr.count("\n") == 1
        assert all(word in done.stderr for word in ("--newest", "--joined", "dualmic day"))


def test_a_saved_record_is_drawn_again(good_take: Path, tmp_path: Path) -> None:
    assert run("check", good_take, "--json", tmp_path / "good.json").exit_code == 0
    again = run("check", tmp_path / "good.json", "--from", "--report", tmp_path / "out")
    assert again.exit_code == 0
    assert (tmp_path / "out" / "good.json").read_bytes() == (tmp_path / "good.json").read_bytes()


def test_the_newest_recording_of_a_folder_is_checked_and_named(good_take: Path) -> None:
    result = run("check", "--newest", good_take.parent)
    assert result.exit_code == 0
    assert "good.wav" in result.stderr


def test_a_finished_mix_is_recognised_and_judged_as_one(tmp_path: Path) -> None:
    # Peaks held 5 dB over the loudness, both voices in the centre: no pair of microphones does so.
    voice = make(rounds=3, leak_db=None).samples.sum(axis=1)
    held = np.tanh(voice * 40) * 0.3
    sf.write(tmp_path / "mix.wav", np.stack([held, held], axis=1), RATE_HZ, "PCM_24")
    asked = run("check", tmp_path / "mix.wav")
    assert "--as mix" in " ".join(asked.stdout.split())
    judged = json.loads(run("check", tmp_path / "mix.wav", "--as", "mix", "--json", "-").stdout)
    assert judged["mode"] == "mix"
    assert judged["programme"]["integrated_lufs"] is not None


def test_specs_are_listed_shown_and_printed_to_start_from() -> None:
    assert "podcast" in run("specs").stdout
    assert "dBTP" in run("specs", "podcast").stdout
    assert "target_lufs = -16" in run("specs", "podcast", "--toml").stdout
    assert run("specs", "--toml").exit_code == 2
    assert run("specs", "podcats").exit_code == 2


def test_silence_in_a_take_prints_no_warning_of_the_libraries(tmp_path: Path) -> None:
    built = make(rounds=3)
    start_s, end_s = built.answers()[0]
    built.samples[round(start_s * RATE_HZ) : round(end_s * RATE_HZ)] = 0.0
    # Loud sound before it: what a running sum leaves over in the silence is then below zero.
    built.samples[:, SUBJECT] = np.clip(built.samples[:, SUBJECT] * 40, -1, 1)
    take = built.write(tmp_path / "silent.wav")
    done = subprocess.run(
        [sys.executable, "-m", "dualmic", "check", str(take)], capture_output=True, text=True
    )
    assert done.returncode in (0, 1)
    assert done.stderr == ""


@pytest.mark.parametrize(
    "words",
    [
        ["check"],
        ["check", "a.wav", "--as", "foo"],
        ["check", "a.wav", "--interviewer", "x"],
        ["check", "a.wav", "--bogus"],
        ["bogus"],
    ],
)
def test_what_was_typed_wrong_gets_one_line(words: list[str]) -> None:
    result = run(*words)
    assert result.exit_code == 2
    assert result.stdout == ""
    assert result.stderr.startswith("dualmic: ") and result.stderr.count("\n") == 1


@pytest.mark.parametrize(
    ("words", "about"),
    [
        (["--json", ""], "--json wants the name of a file"),
        (["--json", "."], "--json wants the name of a file"),
        (["--as", "mix", "--subject", "1"], "--subject and --one-mic are for takes"),
        (["--from", "--for", "podcast"], "--from draws a saved record as it is"),
        (["--from", "--subject", "2"], "--from draws a saved record as it is"),
    ],
)
def test_what_does_not_go_together_is_refused(
    words: list[str], about: str, good_take: Path, tmp_path: Path
) -> None:
    if "--from" in words:
        run("check", good_take, "--json", tmp_path / "good.json")
        good_take = tmp_path / "good.json"
    result = run("check", good_take, *words)
    assert (result.exit_code, result.stdout) == (2, "")
    assert about in result.stderr and result.stderr.count("\n") == 1


def program(
    *words: str, cwd: Path, stdout: object = subprocess.PIPE
) -> subprocess.CompletedProcess:
    command = [sys.executable, "-m", "dualmic", *words]
    there = {**os.environ, "PYTHONPATH": str(ROOT)}
    return subprocess.run(
        command, cwd=cwd, stdout=stdout, stderr=subprocess.PIPE, text=True, env=there
    )


def test_a_name_that_begins_with_a_dash_is_told_how_to_be_given(tmp_path: Path) -> None:
    (tmp_path / "-lock.wav").touch()
    ran = program("check", "-lock.wav", cwd=tmp_path)
    assert (ran.returncode, ran.stderr.count("\n")) == (2, 1)
    assert "./-lock.wav" in ran.stderr


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="a device that is always full")
def test_output_that_cannot_be_written_is_one_line_and_no_failure_of_the_take(
    tmp_path: Path,
) -> None:
    with Path("/dev/full").open("w") as full:
        ran = program("specs", cwd=tmp_path, stdout=full)
    assert (ran.returncode, ran.stderr.count("\n")) == (2, 1)
    assert "Traceback" not in ran.stderr


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="a system without named pipes")
def test_a_record_is_written_into_a_pipe_and_does_not_take_its_place(
    tmp_path: Path, good_take: Path
) -> None:
    pipe = tmp_path / "record.json"
    os.mkfifo(pipe)
    read: list[bytes] = []
    reader = threading.Thread(target=lambda: read.append(pipe.read_bytes()), daemon=True)
    reader.start()
    assert run("check", good_take, "--json", pipe).exit_code == 0
    reader.join(timeout=10)
    assert pipe.is_fifo()
    assert [json.loads(data)["take"]["name"] for data in read] == ["good"]


@pytest.mark.skipif(sys.platform != "linux", reason="names of any bytes are Linux's")
def test_a_name_that_is_no_text_loses_no_page(tmp_path: Path, good_take: Path) -> None:
    card = tmp_path / "card"
    card.mkdir()
    odd = Path(os.fsdecode(os.fsencode(card) + b"/lock-\xff.wav"))
    shutil.copy(good_take, odd)
    json.loads(run("check", odd, "--json", "-").stdout)
    assert run("check", odd, "--report", tmp_path / "reports").exit_code == 0
    for _ in range(2):  # and once more, from what was kept
        assert run("day", card, "--out", tmp_path / "day").exit_code == 0
    assert "lock-\\xff" in (tmp_path / "day" / "index.html").read_text()


def test_a_clip_that_finds_no_room_is_one_line(
    tmp_path: Path, good_take: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise sf.LibsndfileError(2, "Error : no room: ")

    record = check_take([good_take])
    crack = Problem(
        1, "click", "subject", 2, 5.0, 5.1, None, None, 1, "warn", 20.0, 12.0, "dB", "", ""
    )
    record = msgspec.structs.replace(record, problems=[crack])
    monkeypatch.setattr(sf, "write", full)
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    with pytest.raises(ReportError, match="cannot be written"):
        write_clip(record, [good_take], 1)
    assert list(tmp_path.iterdir()) == []
