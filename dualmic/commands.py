"""What each command does once its line is parsed: calls the library, prints, returns the status."""

import gc
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import click

from dualmic.asked import CheckAsked, newest, refuse_odd, say, with_parts
from dualmic.errors import UsageError
from dualmic.record import TakeRecord, encode
from dualmic.report.cells import plain_for

if TYPE_CHECKING:
    from dualmic.measure import Progress
    from dualmic.settings import Settings


def _settings(path: Path | None) -> "Settings":
    """Load the settings asked for, or those of the working folder, or none."""
    from dualmic.settings import Settings, find_settings, load_settings

    path = path or find_settings(Path.cwd())
    return load_settings(path) if path else Settings()


def _specs(asked: tuple[str, ...], settings: "Settings") -> tuple[str, ...]:
    """Return the deliveries to judge for: those asked for, the settings', or the usual two."""
    from dualmic.take import DEFAULT_SPECS

    return asked or tuple(settings.deliveries) or DEFAULT_SPECS


def check(asked: CheckAsked) -> int:
    """Check one take or mix, print the screen, write what was asked for."""
    from dualmic.readonly import refuse_inside

    settings = _settings(asked.settings)
    refuse_odd(asked)
    for source in asked.paths:  # what was given, before a file in it is chosen
        if asked.report is not None:
            refuse_inside(asked.report, source)
        if asked.json_path is not None and asked.json_path != "-":
            refuse_inside(Path(asked.json_path).parent, source)
    if asked.newest:
        asked = newest(asked)
    if len(asked.paths) == 1 and not asked.saved:
        asked = with_parts(asked)
    record = _read_back(asked) if asked.saved else _measured(asked, settings)
    if asked.json_path == "-":
        sys.stdout.buffer.write(encode(_shown(record, asked)))
        sys.stdout.flush()
    else:
        from dualmic.report.terminal import print_screen

        print_screen(record, numbers=asked.numbers)
        if asked.explain:
            from dualmic.explain import explained

            _print("\n".join(["", *explained(record)]))
        if asked.json_path is not None:
            _write_json(_shown(record, asked), Path(asked.json_path), asked.paths)
    if asked.report is not None:
        from dualmic.report import write_report_set

        written = write_report_set(
            record,
            asked.report,
            sources=None if asked.saved else asked.paths,
            private=asked.private,
            labels=settings.marks.labels(),
        )
        pages = [str(p) for p in written if p.suffix in (".html", ".pdf")]
        say("Report: " + ", ".join(pages))
    return exit_status(record)


def _read_back(asked: CheckAsked) -> TakeRecord:
    from dualmic.record import read

    if len(asked.paths) != 1:
        raise UsageError("--from reads one saved record: give its NAME.json alone.")
    channels = asked.interviewer or asked.subject or asked.one_mic or asked.joined or asked.newest
    if asked.specs or asked.mode or channels:
        raise UsageError(
            "--from draws a saved record as it is: --for, --as and what names channels or files "
            "need the recording itself."
        )
    return read(asked.paths[0])


def _measured(asked: CheckAsked, settings: "Settings") -> TakeRecord:
    from dualmic.check_mix import check_mix
    from dualmic.report.progress import progress
    from dualmic.take import CheckOptions, check_take

    options = CheckOptions(
        interviewer=asked.interviewer,
        subject=asked.subject,
        specs=_specs(asked.specs, settings),
        one_mic=asked.one_mic,
        joined=asked.joined,
        settings=settings,
        surely_a_take=asked.mode == "take",
        may_fork=True,
    )
    checker = check_mix if asked.mode == "mix" else check_take
    with progress(None) as advance:
        return checker(asked.paths, options, _loading(advance) if asked.report else advance)


def _loading(advance: "Progress") -> "Progress":
    """Load what draws reports while the take is measured: once that has begun, as it may fork."""
    from dualmic.report import load_ahead

    load_once = cache(load_ahead)

    def advance_and_load(done_s: float) -> None:
        load_once()
        advance(done_s)

    return advance_and_load


def exit_status(record: TakeRecord) -> int:
    """Return 0 if nothing failed, 1 if something did: an answer is lost, or a delivery.

    A take in which nobody speaks is no failure unless its sound is broken.
    """
    if record.mode == "take" and record.kind_of_take in ("nobody speaks", "too short"):
        return int(any(problem.severity == "fail" for problem in record.problems))
    results = {delivery.result for delivery in record.deliveries.values()}
    lost = record.verdict in ("not usable", "usable but for these answers")
    return int(lost or bool(results & {"fail", "incomplete"}))


def _shown(record: TakeRecord, asked: CheckAsked) -> TakeRecord:
    if not asked.private:
        return record
    from dualmic.report.private import private_record

    return private_record(record, asked.paths)


def _write_json(record: TakeRecord, path: Path, sources: list[Path]) -> None:
    from dualmic.report.atomic import write_files

    if path.exists() and not path.is_file():  # a pipe or a device is written to, not replaced
        path.write_bytes(encode(record))
        return
    write_files(path.parent, {path.name: encode(record)}, protected=sources)


@dataclass(frozen=True)
class DayAsked:
    """What ``dualmic day`` was asked for."""

    folder: Path
    out: Path
    jobs: int | None = None
    specs: tuple[str, ...] = ()
    interviewer: int | None = None
    subject: int | None = None
    one_mic: bool = False
    private: bool = False
    watch: bool = False
    scheduler: str | None = None
    settings: Path | None = None


def day(asked: DayAsked) -> int:
    """Check every take of a folder and write the day's page; a stopped run goes on later."""
    from dualmic.day import run_day
    from dualmic.overnight.showing import showing
    from dualmic.take import CheckOptions

    settings = _settings(asked.settings)
    options = CheckOptions(
        interviewer=asked.interviewer,
        subject=asked.subject,
        specs=_specs(asked.specs, settings),
        one_mic=asked.one_mic,
        settings=settings,
    )
    with showing() as show:
        status = run_day(
            asked.folder,
            asked.out,
            jobs=asked.jobs,
            watch=asked.watch,
            scheduler=asked.scheduler,
            options=options,
            private=asked.private,
            say=_print,
            show=show,
        )
    gc.freeze()  # Python would look through all it has loaded before it ends: half a second
    return status


def with_number(words: Sequence[str]) -> tuple[list[Path], int | None]:
    """Split what was typed into files and the number of a problem, if that comes last."""
    *before, last = words
    if before and last.isdecimal() and not Path(last).exists():
        return [Path(word) for word in before], int(last)
    return [Path(word) for word in words], None


def hear(asked: CheckAsked, number: int | None, *, folder: Path | None = None) -> int:
    """Cut a problem of a take as sound into a temporary folder and open it; None lists them."""
    from dualmic.hear import list_problems, write_clip

    if len(asked.paths) == 1:
        asked = with_parts(asked)
    # As check does, so that problems have the same numbers.
    record = _measured(asked, _settings(asked.settings))
    if number is None:
        _print(list_problems(record))
        return 0
    path = write_clip(record, asked.paths, number, folder)
    say("It can be very loud: turn the volume down before you listen.")
    _print(str(path))
    if folder is None:
        click.launch(str(path))
    return 0


def specs(name: str | None, *, as_toml: bool = False) -> int:
    """Print the shipped delivery specs, or one of them with its sources."""
    from dualmic.report.specs_text import spec_text, spec_toml_text, specs_list_text

    if name is None:
        if as_toml:
            raise UsageError("--toml prints one spec: name it, for example dualmic specs podcast.")
        _print(specs_list_text())
    else:
        _print(spec_toml_text(name) if as_toml else spec_text(name))
    return 0


def prove(*, as_json: bool = False) -> int:
    """Measure the reference signals, print what was read, and remember the outcome."""
    from dualmic import prove as proof
    from dualmic.proof_cache import all_passed, remember
    from dualmic.proof_table import table
    from dualmic.report.progress import progress

    signals = proof.count_signals()
    with progress(signals, "Measuring reference signals", "{:.0f}".format) as show:
        readings = proof.run_proof(progress=show)
    remember(readings)
    if as_json:
        sys.stdout.buffer.write(proof.as_json(readings))
    else:
        _print("\n".join(table(readings)))
    return 0 if all_passed(readings) else 1


def demo(folder: Path) -> int:
    """Write, check and report the demo takes."""
    from dualmic.demo import run_demo
    from dualmic.report.terminal import wants_colour

    done = run_demo(folder, colour=wants_colour(sys.stdout), say=say)
    _print(done.text)
    return 0


def _print(text: str) -> None:
    """Print to standard output in signs that it can show."""
    sys.stdout.write(plain_for(text.rstrip("\n") + "\n", sys.stdout.encoding))
