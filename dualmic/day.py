"""A day's folder goes in, one page comes out, whatever happens in between.

>>> from dualmic.day import run_day
>>> run_day(Path("backup"), Path("reports"), jobs=2)          # doctest: +SKIP
0
"""

import time
from collections.abc import Callable, Sequence
from concurrent.futures import Executor, Future
from dataclasses import dataclass, field, replace
from pathlib import Path

import msgspec

from dualmic.errors import RecordingError, ReportError
from dualmic.overnight import finding
from dualmic.overnight.arrivals import Arrivals
from dualmic.overnight.copies import Copies, bad_copy, settle_copies
from dualmic.overnight.finding import SeenFile, Unit
from dualmic.overnight.jobs import Answer, Job
from dualmic.overnight.looking import Look
from dualmic.overnight.pace import Pace
from dualmic.overnight.planning import Run, identity, keep_failure, plan
from dualmic.overnight.running import cores, executor, gather, isolated, stop_workers
from dualmic.overnight.showing import Show
from dualmic.overnight.state import DayState, Identity, Row
from dualmic.readonly import refuse_inside
from dualmic.report.day_page import remove_day, write_day
from dualmic.report.words import duration, plural
from dualmic.take import CheckOptions, load_specs

Say = Callable[[str], None]

_LIMIT_BASE_S = 300.0  # our choice: a slow disk that has to wake up, and the drawing
_LIMIT_FACTOR = 2.0  # our choice: half of real time is slower than any computer still in use
_WATCH_EVERY_S = 2.0  # our choice
_PAGE_EVERY_S = 60.0  # our choice: the page can be looked at while the night goes on
_PAGE_SHARE = 20  # our choice: writing the page takes no more than one part in twenty of the time


@dataclass
class _Day:
    """What one run knows while it goes on."""

    run: Run
    at_once: int
    say: Say
    show: Show | None
    can_report: bool
    look: Look
    rows: dict[str, Row] = field(default_factory=dict)
    passing: dict[str, Identity] = field(default_factory=dict)
    proxies: int = 0

    def tick(self) -> None:
        """Nothing to show while heads and copies are looked at."""


def run_day(
    folder: Path,
    out: Path,
    *,
    jobs: int | None = None,
    watch: bool = False,
    scheduler: str | None = None,
    options: CheckOptions | None = None,
    private: bool = False,
    say: Say = print,
    show: Show | None = None,
    limit_s: tuple[float, float] = (_LIMIT_BASE_S, _LIMIT_FACTOR),
) -> int:
    """Check every take of a tree and write its report sets and the day's page.

    Args:
        folder: what was recorded; it is only read.
        out: the report folder; a run that was interrupted goes on in it.
        jobs: processes at once; as many as there are cores when not given.
        watch: go on as files arrive, until Ctrl-C.
        scheduler: address of a Dask scheduler to run on instead.
        options: as for one take.
        private: write no names, paths, dates or playable clips.
        say: told one line a finished take, and the result.
        show: told how far the run is, about twice a second.
        limit_s: seconds a take may take: a fixed part, and one per second of its length.

    Returns:
        0 when nothing failed; 1 when a take failed or could not be measured; 2 when it was
        stopped before the end.

    Raises:
        RecordingError: the folder is not there.
        UsageError: the cluster cannot be reached.
        ReportError: the reports cannot be written, or another run writes there.
        SettingsError: a delivery spec is wrong.

    """
    if not folder.is_dir():
        raise RecordingError(f"There is no folder {folder}: give the folder with the recordings.")
    refuse_inside(out, folder)
    options = options or CheckOptions()
    specs = load_specs(options.specs)
    at_once = jobs or cores()
    # Takes that are measured side by side take a core each; a second thread would only wait.
    alone = scheduler is None and at_once == 1
    # On a cluster, other working folders: files of one's own specs need their whole path.
    paths = tuple(str(Path(n).resolve()) if n.endswith(".toml") else n for n in options.specs)
    options = replace(options, specs=paths, workers=min(2, cores()) if alone else 1)
    memory = DayState(out.resolve())
    with memory.locked(private), executor(at_once, scheduler) as pool:
        run = Run(folder.resolve(), out.resolve(), options, specs, memory, limit_s, private)
        day = _Day(run, at_once, say, show, scheduler is None, Look(run))
        try:
            if watch:
                _watch(day, pool)
            else:
                _run_once(day, pool, list(finding.files_in(run.folder)))
        except KeyboardInterrupt:
            stop_workers()
            say("Stopped. What is finished is kept: the same command goes on from here.")
            return 0 if watch else 2
    return _summary(day)


def _watch(day: _Day, pool: Executor) -> None:
    arrivals = Arrivals()
    while True:
        settled = arrivals.settled(list(finding.files_in(day.run.folder)))
        _run_once(day, pool, settled, arrivals.is_quiet)
        time.sleep(_WATCH_EVERY_S)


def _summary(day: _Day) -> int:
    rows = list(day.rows.values())
    bad = sum(row.failed for row in rows)
    lost = sum(row.status == "failed" for row in rows)
    hours = duration(sum(row.duration_s for row in rows if row.status == "done"))
    day.say(
        f"{plural(len(rows), 'take')} ({hours}): {bad} failed, {lost} could not be measured. "
        f"Open {day.run.out / 'index.html'}"
    )
    return 1 if bad else 0


def _run_once(
    day: _Day,
    pool: Executor,
    seen: Sequence[SeenFile],
    is_quiet: Callable[[Path], bool] = lambda path: True,
) -> None:
    """Bring everything up to date with the files seen; ``is_quiet`` says which are surely whole."""
    run, before = day.run, day.rows
    _refuse_absent(run)
    day.look.take_in(pool, seen, day.tick)
    if day.look.proxies != day.proxies:
        day.proxies = day.look.proxies
        day.say(f"{plural(day.proxies, 'small copy', 'small copies')} for editing left out.")
    units, files = day.look.units, {file.path: file for file in seen}
    plans = {unit.paths: plan(run, unit, files) for unit in units}
    readable = [unit for unit in units if not _has_failed(plans[unit.paths])]
    copies = settle_copies(run, pool, readable, files, day.tick)
    unreadable = {path: why for path, why in day.look.unreadable.items() if is_quiet(path)}
    day.rows = {run.key([path]): run.failed_row([path], why) for path, why in unreadable.items()}
    for path, why in unreadable.items():
        if run.key([path]) not in before:
            day.say(f"{run.said_name([path])}: {why}")
    todo: list[tuple[Job, Unit]] = []
    for unit in units:
        key, planned = run.key(unit.paths), plans[unit.paths]
        if unit.paths in copies.first_of:
            day.rows[key] = _copy_row(run, unit, copies)
        elif isinstance(planned, Row):
            day.rows[key] = planned
            if planned.status == "failed" and key not in before:
                day.say(f"{run.said_name(unit.paths)}: {planned.reason}")
        elif key in before and day.passing.get(key) == identity(run, unit, files):
            day.rows[key] = before[key]  # while watching, not tried again and again
        else:
            todo.append((planned, unit))
    _work_off(day, pool, todo, files)
    for paths, twin in copies.twin_of.items():
        notes = [bad_copy(run.written_name(twin))]
        day.rows[run.key(paths)] = msgspec.structs.replace(day.rows[run.key(paths)], notes=notes)
    if day.rows != before or not (run.out / "index.html").exists():
        _write_page(day, 0)


def _has_failed(planned: Row | Job) -> bool:
    return isinstance(planned, Row) and planned.status == "failed"


def _copy_row(run: Run, unit: Unit, copies: Copies) -> Row:
    return run.row(
        unit.paths,
        status="copy",
        duration_s=unit.length_s,
        headline="Copy",
        copy_of=run.written_name(copies.first_of[unit.paths]),
    )


def _work_off(
    day: _Day, pool: Executor, todo: list[tuple[Job, Unit]], files: dict[Path, SeenFile]
) -> None:
    """Have everything done and gather answers as they come; bring the page up to date at times."""
    pace = Pace(day.at_once)
    page_at, page_took_s, left = time.monotonic(), 0.0, len(todo)
    waiting: dict[Future[Answer], tuple[Job, Unit]] = {}
    for job, unit in sorted(todo, key=lambda pair: -pair[0].length_s):  # no long one at the end
        pace.add(job.key, day.run.name(unit.paths), job.length_s)
        waiting[_submit(day, pool, job, pace)] = (job, unit)

    def show() -> None:
        if day.show:
            day.show(pace.progress())

    for (job, unit), answer in gather(waiting, show):
        left -= 1
        pace.finish(job.key)
        _take_down(day, job, unit, answer, identity(day.run, unit, files))
        show()
        due_s = max(_PAGE_EVERY_S, _PAGE_SHARE * page_took_s)
        if left and time.monotonic() - page_at > due_s:
            page_at = time.monotonic()
            _write_page(day, left)
            page_took_s = time.monotonic() - page_at


def _submit(day: _Day, pool: Executor, job: Job, pace: Pace) -> "Future[Answer]":
    if not day.can_report:
        return pool.submit(isolated, job)
    return pool.submit(isolated, job, lambda done_s: pace.advance(job.key, done_s))


def _take_down(day: _Day, job: Job, unit: Unit, answer: Answer, files: Identity) -> None:
    """Keep what became of a take, and say it."""
    if answer.cannot_write:
        raise ReportError(
            f"{answer.error} What is finished is kept: the same command goes on from here."
        )
    if answer.row is not None:
        row, told = answer.row, answer.row.headline
    else:
        _refuse_absent(day.run)
        row, told = keep_failure(day.run, job, answer, files)
        if answer.passing:
            day.passing[job.key] = files
    day.rows[row.key] = row
    day.say(f"{day.run.said_name(unit.paths)}: {told}")


def _write_page(day: _Day, left: int) -> None:
    _refuse_absent(day.run)
    write_day(list(day.rows.values()), day.run.out, day.run.title, left=left)
    if not day.run.memory.is_there():  # the disk was taken away meanwhile, and this made it anew
        remove_day(day.run.out)
        _refuse_absent(day.run)


def _refuse_absent(run: Run) -> None:
    if not run.memory.is_there():
        raise ReportError(
            f"The report folder {run.out} is not there any more. What is finished is kept there: "
            "once it is back, the same command goes on."
        )
