"""The commands: parse, call, print; no measuring."""

import contextlib
import os
import sys
from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import Any, NoReturn, TextIO

import click

import dualmic
from dualmic.errors import DualmicError

# Two workers share the meters already. BLAS's own would wait for work in a busy loop and take the
# processor from them: a check then needs three times as long. Has to be set before numpy loads.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

CONTEXT = {"help_option_names": ["-h", "--help"], "max_content_width": 80}


def _one_line_errors(command: Callable[..., int]) -> Callable[..., None]:
    """Print a known error in one line and exit 2; else exit with what the command returns."""

    @wraps(command)
    def run(*args: Any, **kwargs: Any) -> None:
        try:
            status = command(*args, **kwargs)
            sys.stdout.flush()
        except DualmicError as error:
            _give_up(str(error))
        except BrokenPipeError:  # nobody listens any more
            _drop_output()
            sys.exit(2)
        except OSError as error:
            _drop_output()
            about = f"{error.filename}: " if error.filename else ""
            _give_up(f"{about}{error.strerror or error}.")
        sys.exit(status)

    return run


def _give_up(why: str) -> NoReturn:
    """Say in one line why it cannot be done, and exit with 2."""
    click.echo(f"dualmic: {' '.join(why.split())}", err=True)
    sys.exit(2)


def _drop_output() -> None:
    """Lose what is left for standard output: else Python would try once more as it ends."""
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _nowhere() -> TextIO:
    return Path(os.devnull).open("w")


class _OneLineGroup(click.Group):
    """A group whose errors of usage are one line, as all others are."""

    def main(self, *args: Any, **kwargs: Any) -> Any:
        """Run a command; a closed standard output or error is as good as none."""
        sys.stdout, sys.stderr = sys.stdout or _nowhere(), sys.stderr or _nowhere()
        try:
            status = super().main(*args, **{**kwargs, "standalone_mode": False})
        except click.exceptions.NoArgsIsHelpError as error:
            click.echo(error.format_message())
            sys.exit(2)
        except click.NoSuchOption as error:
            typed = [word for word in sys.argv[1:] if word.startswith(error.option_name)]
            file = next((word for word in typed if Path(word).exists()), None)
            _give_up(error.format_message() + (f" For the file, write ./{file}." if file else ""))
        except click.ClickException as error:
            context = error.ctx if isinstance(error, click.UsageError) else None
            command = context.command_path if context else "dualmic"
            _give_up(f"{error.format_message()} {command} -h shows how.")
        except click.Abort:
            sys.exit(1)
        sys.exit(status if isinstance(status, int) else 0)


# Options that several commands have.
_for = click.option(
    "--for", "specs", multiple=True, help="Delivery: a name or a TOML file. Repeatable."
)
_interviewer = click.option(
    "--interviewer", type=int, help="The interviewer's channel, counted from 1."
)
_subject = click.option("--subject", type=int, help="The subject's channel, counted from 1.")
_joined = click.option(
    "--joined", is_flag=True, help="Parts of one take: all in order, one of them, or their folder."
)
_one_mic = click.option("--one-mic", is_flag=True, help="Both people share one microphone.")
_private = click.option("--private", is_flag=True, help="Write no names, paths, dates or clips.")
_settings = click.option(
    "--settings", type=click.Path(path_type=Path), help="A dualmic.toml to use."
)


@click.group(cls=_OneLineGroup, context_settings=CONTEXT)
@click.version_option(dualmic.__version__, prog_name="dualmic")
def main() -> None:
    """Listen to interviews recorded with two microphones in a camera.

    \b
    dualmic check TAKE     is this take usable, and what must be asked again?
    dualmic day FOLDER     every take of a day, and one page in the morning
    dualmic hear TAKE N    listen to problem N of a take
    dualmic specs          what deliveries ask for, with sources
    dualmic prove          see that the meters are right on this machine
    dualmic demo           see it all on a made-up visit to a lock keeper

    Exit status: 0 nothing failed, 1 something failed, 2 it could not be done.
    """


@main.command(context_settings=CONTEXT)
@click.argument("take", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--report", type=click.Path(path_type=Path), help="Folder for the report set.")
@click.option("--json", "json_path", help="Write the record to a file; - for standard output.")
@_for
@click.option(
    "--as", "mode", type=click.Choice(["take", "mix"]), help="A raw take, or a finished mix."
)
@_interviewer
@_subject
@click.option("--newest", is_flag=True, help="TAKE is a folder: check its newest recording.")
@_joined
@_one_mic
@click.option("--numbers", is_flag=True, help="Show measured values and limits on the screen.")
@click.option("--explain", is_flag=True, help="Say of each problem what it was judged by.")
@_private
@_settings
@click.option("--from", "saved", is_flag=True, help="TAKE is a saved record: draw it again.")
@_one_line_errors
def check(take: tuple[Path, ...], **asked: Any) -> int:
    """Check one take: a file with both microphones, or one file for each.

    \b
    Examples:
      dualmic check A001.MOV --report reports
      dualmic check LAV-A.wav LAV-B.wav --for podcast
      dualmic check --newest /media/card
      dualmic check A001_001.MOV --joined
      dualmic check mix.wav --as mix
    """
    from dualmic import commands
    from dualmic.asked import CheckAsked

    return commands.check(CheckAsked(list(take), **asked))


@main.command(context_settings=CONTEXT)
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--out", required=True, type=click.Path(path_type=Path), help="Folder for reports and page."
)
@click.option("--jobs", type=click.IntRange(1), help="Takes checked at once; default: the cores.")
@_for
@click.option("--interviewer", type=int, help="The interviewer's channel in every take, from 1.")
@click.option("--subject", type=int, help="The subject's channel in every take, from 1.")
@_one_mic
@_private
@click.option("--watch", is_flag=True, help="Go on as files arrive, until Ctrl-C.")
@click.option("--scheduler", metavar="ADDRESS", help="Run on a Dask cluster ([cluster] extra).")
@_settings
@_one_line_errors
def day(folder: Path, out: Path, **asked: Any) -> int:
    """Check every take in a folder, unattended, and write one page on the day.

    It can be stopped at any time: the next start with the same --out goes on where it was.

    \b
    Examples:
      dualmic day /media/backup --out reports
      dualmic day /media/card --out reports --watch
    """
    from dualmic import commands

    return commands.day(commands.DayAsked(folder, out, **asked))


@main.command(context_settings=CONTEXT)
@click.argument("take", nargs=-1, required=True, metavar="TAKE... [NUMBER]")
@_for
@_interviewer
@_subject
@_joined
@_one_mic
@_settings
@_one_line_errors
def hear(take: tuple[str, ...], **asked: Any) -> int:
    """Listen to problem NUMBER of a take; without a number, list the problems.

    Problems have the numbers that check gives them with the same options. A short clip goes to a
    temporary folder and is opened with the system's player. It can be very loud: turn the volume
    down first.

    \b
    Examples:
      dualmic hear A001.MOV 2
      dualmic hear LAV-A.wav LAV-B.wav 2
    """
    from dualmic import commands
    from dualmic.asked import CheckAsked

    paths, number = commands.with_number(take)
    return commands.hear(CheckAsked(paths, **asked), number)


@main.command(context_settings=CONTEXT)
@click.argument("name", required=False)
@click.option("--toml", "as_toml", is_flag=True, help="Print it as TOML, to start your own from.")
@_one_line_errors
def specs(name: str | None, as_toml: bool) -> int:
    """Show what deliveries ask for, each limit with its source.

    \b
    Examples:
      dualmic specs
      dualmic specs podcast --toml > my-client.toml
    """
    from dualmic import commands

    return commands.specs(name, as_toml=as_toml)


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
