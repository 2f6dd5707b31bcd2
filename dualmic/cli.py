"""The commands: parse, call, print; no measuring."""

import sys
from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import Any

import click

import dualmic
from dualmic.errors import DualmicError

CONTEXT = {"help_option_names": ["-h", "--help"], "max_content_width": 80}


def _one_line_errors(command: Callable[..., int]) -> Callable[..., None]:
    """Print a known error in one line and exit 2; else exit with what the command returns."""

    @wraps(command)
    def run(*args: Any, **kwargs: Any) -> None:
        try:
            status = command(*args, **kwargs)
        except DualmicError as error:
            click.echo(f"dualmic: {' '.join(str(error).split())}", err=True)
            sys.exit(2)
        except BrokenPipeError:
            sys.stderr.close()
            sys.exit(2)
        sys.exit(status)

    return run


@click.group(context_settings=CONTEXT)
@click.version_option(dualmic.__version__, prog_name="dualmic")
def main() -> None:
    """Listen to interviews recorded with two microphones in a camera.

    \b
    dualmic check TAKE     is this take usable, and what must be asked again?
    dualmic demo           see it all on a made-up visit to a lock keeper

    Exit status: 0 nothing failed, 1 something failed, 2 it could not be done.
    """


@main.command(context_settings=CONTEXT)
@click.argument("take", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--report", type=click.Path(path_type=Path), help="Folder for the report set.")
@click.option("--json", "json_path", help="Write the record to a file; - for standard output.")
@click.option("--for", "specs", multiple=True, help="Delivery: a name or a TOML file. Repeatable.")
@click.option("--interviewer", type=int, help="The interviewer's channel, counted from 1.")
@click.option("--subject", type=int, help="The subject's channel, counted from 1.")
@click.option("--joined", is_flag=True, help="The files are parts of one take, in order.")
@click.option("--one-mic", is_flag=True, help="Both people share one microphone.")
@click.option("--numbers", is_flag=True, help="Show measured values and limits on the screen.")
@click.option("--private", is_flag=True, help="Write no names, paths, dates or clips.")
@click.option("--settings", type=click.Path(path_type=Path), help="A dualmic.toml to use.")
@_one_line_errors
def check(
    take: tuple[Path, ...],
    report: Path | None,
    json_path: str | None,
    specs: tuple[str, ...],
    interviewer: int | None,
    subject: int | None,
    joined: bool,
    one_mic: bool,
    numbers: bool,
    private: bool,
    settings: Path | None,
) -> int:
    """Check one take: a file with both microphones, or one file for each.

    \b
    Example:
      dualmic check A001.MOV --report reports
      dualmic check LAV-A.wav LAV-B.wav --for podcast
    """
    from dualmic import commands

    asked = commands.CheckAsked(
        list(take),
        report=report,
        json_path=json_path,
        specs=specs,
        interviewer=interviewer,
        subject=subject,
        joined=joined,
        one_mic=one_mic,
        numbers=numbers,
        private=private,
        settings=settings,
    )
    return commands.check(asked)


@main.command(context_settings=CONTEXT)
@click.option("--json", "as_json", is_flag=True, help="Print every reading as JSON.")
@_one_line_errors
def prove(as_json: bool) -> int:
    """Measure the standards' own signals and show what was read beside what is due.

    \b
    Example:
      dualmic prove
    """
    from dualmic import commands

    return commands.prove(as_json=as_json)


@main.command(context_settings=CONTEXT)
@click.argument("folder", default="dualmic-demo", type=click.Path(path_type=Path))
@_one_line_errors
def demo(folder: Path) -> int:
    """Write three demo takes, check them, and say what to open.

    \b
    Example:
      dualmic demo my-demo
    """
    from dualmic import commands

    return commands.demo(folder)
