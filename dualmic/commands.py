"""What each command does once its line is parsed: calls the library, prints, returns the status."""

import os
import sys
from dataclasses import dataclass
from pathlib import Path

import click

from dualmic.record import TakeRecord, encode


@dataclass(frozen=True)
class CheckAsked:
    """What ``dualmic check`` was asked for."""

    paths: list[Path]
    report: Path | None = None
    json_path: str | None = None
    specs: tuple[str, ...] = ()
    interviewer: int | None = None
    subject: int | None = None
    joined: bool = False
    one_mic: bool = False
    numbers: bool = False
    private: bool = False
    settings: Path | None = None


def check(asked: CheckAsked) -> int:
    """Check one take, print the screen, write what was asked for."""
    from dualmic.readonly import refuse_inside
    from dualmic.report.progress import progress
    from dualmic.report.terminal import print_screen
    from dualmic.settings import Settings, find_settings, load_settings
    from dualmic.take import DEFAULT_SPECS, CheckOptions, check_take

    path = asked.settings or find_settings(Path.cwd())
    settings = load_settings(path) if path else Settings()
    if asked.report is not None:
        for source in asked.paths:
            refuse_inside(asked.report, source)
    options = CheckOptions(
        interviewer=asked.interviewer,
        subject=asked.subject,
        specs=asked.specs or tuple(settings.deliveries) or DEFAULT_SPECS,
        one_mic=asked.one_mic,
        joined=asked.joined,
        settings=settings,
    )
    with progress(None) as advance:
        record = check_take(asked.paths, options, advance)
    if asked.json_path == "-":
        sys.stdout.buffer.write(encode(_shown(record, asked.private)))
        sys.stdout.flush()
    else:
        print_screen(record, numbers=asked.numbers)
        if asked.json_path is not None:
            _write_json(_shown(record, asked.private), Path(asked.json_path), asked.paths)
    if asked.report is not None:
        from dualmic.report import write_report_set

        written = write_report_set(record, asked.report, sources=asked.paths, private=asked.private)
        pages = [p for p in written if p.suffix in (".html", ".pdf")]
        click.echo("Report: " + ", ".join(map(str, pages)), err=True)
    return exit_status(record)


def exit_status(record: TakeRecord) -> int:
    """Return 0 if nothing failed, 1 if something did; takes in which nobody speaks do not fail."""
    if record.kind_of_take in ("nobody speaks", "too short") and record.mode == "take":
        return 0
    results = {delivery.result for delivery in record.deliveries.values()}
    return 1 if results & {"fail", "incomplete"} or record.verdict == "not usable" else 0


def _shown(record: TakeRecord, private: bool) -> TakeRecord:
    if not private:
        return record
    from dualmic.report.private import private_record

    return private_record(record)


def _write_json(record: TakeRecord, path: Path, sources: list[Path]) -> None:
    from dualmic.report.atomic import write_files

    write_files(path.parent, {path.name: encode(record)}, protected=sources)


def prove(*, as_json: bool = False) -> int:
    """Measure the reference signals, print what was read, and remember the outcome."""
    from dualmic import prove as proof
    from dualmic.proof_cache import all_passed, remember
    from dualmic.proof_table import last_line, table
    from dualmic.report.progress import progress

    with progress(None, "Measuring reference signals"):
        readings = proof.run_proof()
    remember(readings)
    if as_json:
        click.echo(proof.as_json(readings))
    else:
        click.echo("\n".join([*table(readings), "", last_line(readings)]))
    return 0 if all_passed(readings) else 1


def demo(folder: Path) -> int:
    """Write, check and report the demo takes."""
    from dualmic.demo import run_demo

    width = min(80, _columns())
    done = run_demo(folder, width=width, say=lambda line: click.echo(line, err=True))
    click.echo(done.text)
    return 0


def _columns() -> int:
    try:
        return os.get_terminal_size(sys.stdout.fileno()).columns
    except (OSError, ValueError):
        return 80
