"""What the command line was asked for, made whole before anything is measured.

The newest recording stands in the place of its folder, all parts of a take in the place of one;
what cannot be done is refused.
"""

import sys
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import click

from dualmic.errors import UsageError
from dualmic.report.cells import plain_for

Mode = Literal["take", "mix"]


@dataclass(frozen=True)
class CheckAsked:
    """What ``dualmic check`` was asked for, or ``dualmic hear``."""

    paths: list[Path]
    report: Path | None = None
    json_path: str | None = None
    specs: tuple[str, ...] = ()
    mode: Mode | None = None
    interviewer: int | None = None
    subject: int | None = None
    newest: bool = False
    joined: bool = False
    one_mic: bool = False
    numbers: bool = False
    explain: bool = False
    private: bool = False
    settings: Path | None = None
    saved: bool = False


def refuse_odd(asked: CheckAsked) -> None:
    """Refuse what cannot be done before any time is spent on measuring."""
    if asked.mode == "mix" and (asked.interviewer or asked.subject or asked.one_mic):
        raise UsageError(
            "--as mix judges a finished mix: --interviewer, --subject and --one-mic are for takes."
        )
    if asked.json_path == "" or (asked.json_path and Path(asked.json_path).is_dir()):
        raise UsageError("--json wants the name of a file, or - for standard output.")


def newest(asked: CheckAsked) -> CheckAsked:
    """Put the newest recording of the folder in the folder's place, and say which it is."""
    from dualmic.newest import newest_recording

    if len(asked.paths) != 1:
        raise UsageError("--newest looks into one folder: give the card or the folder, alone.")
    found = newest_recording(asked.paths[0])
    say(f"{found.path.name}: {found.because}")
    return replace(asked, paths=[found.path])


def with_parts(asked: CheckAsked) -> CheckAsked:
    """Put all parts of a split take in the place of one of them, or say that there are more."""
    from dualmic.joining import part_hint, whole_take

    (path,) = asked.paths
    if not asked.joined:
        if path.is_dir():
            raise UsageError(
                f"{path} is a folder: give one of its recordings, or --joined if they are parts of "
                "one take. dualmic check --newest checks its newest, dualmic day all of them."
            )
        hint = None if asked.mode == "mix" else part_hint(path)
        if hint is not None:
            say(hint)
        return asked
    parts = whole_take(path).paths
    names = ", ".join(part.name for part in parts)
    say(f"One take of {len(parts)} parts: {names}" if len(parts) > 1 else f"One file: {names}")
    return replace(asked, paths=list(parts))


def say(text: str) -> None:
    """Print to standard error, which is not part of the result."""
    click.echo(plain_for(text, sys.stderr.encoding), err=True)
