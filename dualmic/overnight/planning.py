"""What one run was asked for, and what has to be done with each take."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import msgspec

from dualmic.overnight import state
from dualmic.overnight.finding import SeenFile, Unit
from dualmic.overnight.jobs import Answer, Job
from dualmic.overnight.state import DayState, Identity, Row, TakeState, to_plain
from dualmic.readers.filereader import path_text, plain_text
from dualmic.report.report_set import file_name
from dualmic.spec import Spec
from dualmic.take import CheckOptions

_PRIVATE_REASON = "It could not be measured; the screen of that run said why."
LOST_TWICE = 2  # our choice: once may be the machine, twice is the file
_AGAIN = "It is tried once more at the next start."
_NO_MORE = "That happened twice: it is not tried again while file, settings and version stay."


@dataclass(frozen=True)
class Run:
    """What one run was asked for: see :func:`dualmic.day.run_day`."""

    folder: Path
    out: Path
    options: CheckOptions
    specs: list[Spec]
    memory: DayState
    limits: tuple[float, float]
    private: bool = False

    def key(self, paths: Sequence[Path]) -> str:
        """Return what a take is known by: its files' places in the folder, or a digest of them."""
        names = (path.relative_to(self.folder).as_posix() for path in paths)
        return self.memory.digest("\n".join(names))

    def name(self, paths: Sequence[Path]) -> str:
        """Return a take's name for the screen."""
        name = plain_text(path_text(paths[0].relative_to(self.folder)))
        second = plain_text(path_text(paths[1].name)) if len(paths) > 1 else ""
        more = len(paths) - 1
        return name if not more else f"{name} + {second}" + f" + {more - 1}" * (more > 1)

    def written_name(self, paths: Sequence[Path]) -> str:
        """Return a take's name for page and report."""
        return f"take-{self.key(paths)[:8]}" if self.private else self.name(paths)

    def said_name(self, paths: Sequence[Path]) -> str:
        """Return a take's name for the screen, and the one it is written under where that differs.

        The screen is not kept, so that whoever runs it can tell which private report is which.
        """
        name, written = self.name(paths), self.written_name(paths)
        return name if name == written else f"{name} ({written})"

    @property
    def title(self) -> str:
        """What the day's page is called after."""
        return "private" if self.private else self.folder.name

    def options_for(self, unit: Unit) -> CheckOptions:
        """Return the options of one take."""
        return replace(self.options, joined=unit.shape == "parts")

    def row(self, paths: Sequence[Path], **facts: object) -> Row:
        """Return a row of a take that has no report."""
        files = [] if self.private else [path_text(path) for path in paths]
        made = {"key": self.key(paths), "name": self.written_name(paths), "files": files}
        return msgspec.convert(made | facts, Row)

    def failed_row(self, paths: Sequence[Path], reason: str) -> Row:
        """Return the row of a take that could not be measured."""
        return self.row(
            paths,
            status="failed",
            reason=_PRIVATE_REASON if self.private else reason,
            headline="Not measured",
            tone="bad",
            failed=True,
        )


def identity(run: Run, unit: Unit, seen: Mapping[Path, SeenFile]) -> Identity:
    """Return the identity of a take's files as the folder shows them."""
    files = (seen[path] for path in unit.paths)
    return run.memory.identity([(f.path, f.size_bytes, f.changed_ns) for f in files])


def plan(run: Run, unit: Unit, seen: Mapping[Path, SeenFile]) -> Row | Job:
    """Return the row of a take that is done and whole, else what is to be done with it.

    A take that failed by its own content is done: it would fail again. One whose process was lost
    is tried once more. Everything else is done again when its files, the version, or a setting that
    touches it changed, or when its report is damaged.
    """
    job = job_for(run, unit)
    old = run.memory.take(job.key)
    if old is None or old.measured_with != job.measured_with:
        return job
    now = identity(run, unit, seen)
    if old.row.status == "failed":
        if old.identity != now:
            return job
        if 0 < old.lost < LOST_TWICE:
            return msgspec.structs.replace(job, before=old.lost)
        return old.row
    if not state.is_whole(run.out, old):
        return job
    if old.identity == now:
        if old.drawn_with == job.drawn_with:
            return old.row
        return msgspec.structs.replace(job, task="draw")
    same_sizes = [size for _, size, _ in old.identity] == [size for _, size, _ in now]
    if same_sizes and old.drawn_with == job.drawn_with:
        return msgspec.structs.replace(job, known=old.checksum)
    return job


def job_for(run: Run, unit: Unit) -> Job:
    """Return the job of checking a take from the start."""
    options, key, name = run.options_for(unit), run.key(unit.paths), run.written_name(unit.paths)
    base_s, factor = run.limits
    folder = name if run.private else f"{file_name(unit.paths[0].stem)}-{key[:6]}"
    return Job(
        task="check",
        key=key,
        name=name,
        paths=[to_plain(path) for path in unit.paths],
        options=options,
        out=str(run.out),
        folder=f"takes/{folder}",
        measured_with=state.measured_with(unit.paths, options, run.specs),
        drawn_with=state.drawn_with(options),
        limit_s=base_s + factor * unit.length_s,
        length_s=unit.length_s,
        private=run.private,
    )


def lost_words(lost: int) -> str:
    """Return what is said of a file whose process was lost so often."""
    return _NO_MORE if lost >= LOST_TWICE else _AGAIN


def keep_failure(run: Run, job: Job, answer: Answer, identity: Identity) -> tuple[Row, str]:
    """Remember that a take failed, unless the cause may pass; return its row and the reason."""
    reason = answer.error or ""
    lost = job.before + answer.lost
    if answer.lost:
        reason = f"{reason} {lost_words(lost)}"
    row = run.failed_row([Path(path) for path in job.paths], reason)
    if not answer.passing:
        failure = TakeState(identity, job.measured_with, job.drawn_with, None, {}, row, lost)
        state.write_take(run.memory.folder, job.key, failure)
    return row, reason
