"""A day's folder goes in, one page comes out, whatever happens in between.

>>> from dualmic.day import run_day
>>> run_day(Path("backup"), Path("reports"), jobs=2)          # doctest: +SKIP
0
"""

import hashlib
import os
import time
from collections.abc import Callable, Sequence
from concurrent.futures import CancelledError, Executor, Future, wait
from dataclasses import dataclass, field, replace
from pathlib import Path

import msgspec

from dualmic.errors import RecordingError, ReportError
from dualmic.overnight import finding, state
from dualmic.overnight.finding import SeenFile, Unit
from dualmic.overnight.running import executor, isolated, stop_workers
from dualmic.overnight.state import DayState, KnownHead, Row
from dualmic.overnight.worker import Answer, Job
from dualmic.readers.openfile import read_head
from dualmic.readonly import refuse_inside
from dualmic.report.day_page import write_day
from dualmic.report.report_set import file_name
from dualmic.report.words import duration, plural
from dualmic.spec import Spec
from dualmic.take import CheckOptions, load_specs

Say = Callable[[str], None]

_LIMIT_BASE_S = 300.0  # our choice: a slow disk that has to wake up, and the drawing
_LIMIT_FACTOR = 2.0  # our choice: half of real time is slower than any computer still in use
_WATCH_EVERY_S = 2.0  # our choice
_PAGE_EVERY_S = 60.0  # our choice: the page can be looked at while the night goes on


@dataclass
class _Day:
    """What one run knows."""

    folder: Path
    out: Path
    options: CheckOptions
    specs: list[Spec]
    memory: DayState
    say: Say
    limits: tuple[float, float]
    show: Callable[[float, float, str], None] | None = None
    rows: dict[str, Row] = field(default_factory=dict)
    progress: dict[str, float] = field(default_factory=dict)
    failed: dict[str, list[tuple[str, int, int]]] = field(default_factory=dict)
    proxies: int = 0


def run_day(
    folder: Path,
    out: Path,
    *,
    jobs: int | None = None,
    watch: bool = False,
    scheduler: str | None = None,
    options: CheckOptions | None = None,
    say: Say = print,
    show: Callable[[float, float, str], None] | None = None,
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
        say: told one line a finished take, and the result.
        show: told seconds of sound done, seconds in all, and the time left in words.
        limit_s: seconds a take may take: a fixed part, and one per second of its length.

    Returns:
        0 when nothing failed; 1 when a take failed or could not be measured; 2 when it was
        stopped before the end.

    Raises:
        UsageError: the folder is none, or the cluster cannot be reached.
        ReportError: the reports cannot be written, or another run writes there.
        SettingsError: a delivery spec is wrong.

    """
    if not folder.is_dir():
        raise RecordingError(f"There is no folder {folder}: give the folder with the recordings.")
    refuse_inside(out, folder)
    options = options or CheckOptions()
    specs = load_specs(options.specs)
    folder, out = folder.resolve(), out.resolve()
    memory = DayState(out)
    day = _Day(folder, out, options, specs, memory, say, limit_s, show)
    with memory.locked(), executor(jobs or os.cpu_count() or 1, scheduler) as pool:
        try:
            seen: list[SeenFile] = []
            while True:
                last, seen = seen, list(finding.files_in(folder))
                settled = [file for file in seen if file in last] if watch else seen
                _run_once(day, pool, settled, can_show=scheduler is None)
                if not watch:
                    break
                time.sleep(_WATCH_EVERY_S)
        except KeyboardInterrupt:
            stop_workers()
            day.say("Stopped. What is finished is kept: the same command goes on from here.")
            return 0 if watch else 2
    return _summary(day)


def _summary(day: _Day) -> int:
    rows = list(day.rows.values())
    bad = sum(row.failed for row in rows)
    lost = sum(row.status == "failed" for row in rows)
    hours = duration(sum(row.duration_s for row in rows if row.status == "done"))
    day.say(
        f"{plural(len(rows), 'take')} ({hours}): {bad} failed, {lost} could not be measured. "
        f"Open {day.out / 'index.html'}"
    )
    return 1 if bad else 0


def _run_once(day: _Day, pool: Executor, seen: Sequence[SeenFile], *, can_show: bool) -> None:
    units, rows, stamps = _look(day, seen)
    before = day.rows
    names = {unit.paths: _name(day.folder, unit) for unit in units}
    todo = [unit for unit in units if not _is_done(day, unit, stamps, rows)]
    copies, notes = _settle_copies(day, pool, units, stamps)
    for unit in units:
        if unit.paths in copies:
            key = _key(day.folder, unit)
            rows[key] = _copy_row(key, unit, names[unit.paths], names[copies[unit.paths]])
    waiting: dict[Future[Answer], Job] = {}
    lengths = {}
    for unit in sorted(todo, key=lambda unit: -unit.length_s):  # the longest must not come last
        key = _key(day.folder, unit)
        if unit.paths in copies:
            continue
        if day.failed.get(key) == _identity(unit, stamps):
            rows[key] = before[key]  # while watching, not tried again and again
            continue
        job = _job(day, unit, names[unit.paths])
        lengths[key] = unit.length_s
        waiting[_submit(day, pool, job, can_show)] = job
    for key in rows.keys() - before.keys():
        if rows[key].status == "failed":
            day.say(f"{rows[key].name}: {rows[key].reason}")
    day.rows = rows
    _work_off(day, waiting, lengths)
    for unit in units:
        key = _key(day.folder, unit)
        if day.rows[key].status == "failed":
            day.failed[key] = _identity(unit, stamps)
        if unit.paths in notes:
            day.rows[key] = msgspec.structs.replace(day.rows[key], notes=[notes[unit.paths]])
    if day.rows != before or not (day.out / "index.html").exists():
        write_day(list(day.rows.values()), day.out, day.folder.name)


def _copy_row(key: str, unit: Unit, name: str, first: str) -> Row:
    return Row(
        key,
        name,
        [str(path) for path in unit.paths],
        status="copy",
        duration_s=unit.length_s,
        headline="Copy",
        copy_of=first,
    )


def _submit(day: _Day, pool: Executor, job: Job, can_show: bool) -> "Future[Answer]":
    if not can_show:
        return pool.submit(isolated, job)

    def progress(done_s: float) -> None:
        day.progress[job.key] = done_s

    return pool.submit(isolated, job, progress)


def _work_off(day: _Day, waiting: "dict[Future[Answer], Job]", lengths: dict[str, float]) -> None:
    """Gather answers as they come; the page is brought up to date now and then."""
    started_at = page_at = time.monotonic()
    whole_s = sum(lengths[job.key] for job in waiting.values())
    done_s = 0.0
    while waiting:
        ready, _ = wait(waiting, timeout=0.5, return_when="FIRST_COMPLETED")
        for future in ready:
            job = waiting.pop(future)
            answer = _answer(future)
            done_s += lengths[job.key]
            day.progress.pop(job.key, None)
            if answer.cannot_write:
                raise ReportError(
                    f"{answer.error} What is finished is kept: the same command goes on from here."
                )
            row = answer.row or _failed_row(job, answer)
            day.rows[row.key] = row
            day.say(f"{row.name}: {row.reason or row.headline}")
        if day.show:
            now_s = done_s + sum(day.progress.values())
            day.show(now_s, whole_s, _time_left(now_s, whole_s, time.monotonic() - started_at))
        if ready and waiting and time.monotonic() - page_at > _PAGE_EVERY_S:
            page_at = time.monotonic()
            write_day(list(day.rows.values()), day.out, day.folder.name, left=len(waiting))


def _time_left(now_s: float, whole_s: float, spent_s: float) -> str:
    """Return the time left in words; no figure before there is something to base it on."""
    if now_s <= 0 or spent_s < 5:
        return "time left not known yet"
    return f"about {duration((whole_s - now_s) * spent_s / now_s)} left"


def _answer(future: "Future[Answer]") -> Answer:
    try:
        return future.result()
    except CancelledError:
        return Answer(error="It was stopped.")
    except Exception as error:  # a cluster's own errors, such as a worker lost too often
        return Answer(error=f"The cluster could not run it: {type(error).__name__}: {error}")


def _failed_row(job: Job, answer: Answer) -> Row:
    return Row(
        job.key,
        job.name,
        job.paths,
        status="failed",
        reason=answer.error,
        headline="Not measured",
        tone="bad",
        failed=True,
    )


def _look(
    day: _Day, seen: Sequence[SeenFile]
) -> tuple[list[Unit], dict[str, Row], dict[Path, SeenFile]]:
    """Read what the files say of themselves, and put together what belongs together."""
    known, now = day.memory.heads(), {}
    heads, rows = [], {}
    for file in seen:
        name = str(file.path)
        old = known.get(name)
        if old is None or (old.size_bytes, old.changed_ns) != (file.size_bytes, file.changed_ns):
            try:
                head = read_head(file.path, day.options.settings.timecode_rate)
            except RecordingError as error:
                if "no sound" in str(error):
                    continue  # a picture, or pictures without sound
                key = _key_of(day.folder, (file.path,))
                shown = file.path.relative_to(day.folder).as_posix()
                rows[key] = Row(
                    key,
                    shown,
                    [name],
                    status="failed",
                    reason=str(error),
                    headline="Not measured",
                    tone="bad",
                    failed=True,
                )
                continue
            old = KnownHead(file.size_bytes, file.changed_ns, head)
        now[name] = old
        heads.append(old.head)
    if now != known:
        day.memory.keep_heads(now)
    units, proxies = finding.group(heads)
    if len(proxies) != day.proxies:
        day.proxies = len(proxies)
        day.say(f"{plural(len(proxies), 'small copy', 'small copies')} for editing left out.")
    return units, rows, {file.path: file for file in seen}


def _is_done(day: _Day, unit: Unit, stamps: dict[Path, SeenFile], rows: dict[str, Row]) -> bool:
    key = _key(day.folder, unit)
    known = day.memory.take(key)
    if known is None or not state.is_whole(day.out, known):
        return False
    options = _options(day, unit)
    same = known.measured_with == state.measured_with(unit.paths, options, day.specs)
    if (
        same
        and known.drawn_with == state.drawn_with(options)
        and known.identity == _identity(unit, stamps)
    ):
        rows[key] = known.row
        return True
    return False


def _identity(unit: Unit, stamps: dict[Path, SeenFile]) -> list[tuple[str, int, int]]:
    files = [stamps[path] for path in unit.paths]
    return [(str(file.path), file.size_bytes, file.changed_ns) for file in files]


def _options(day: _Day, unit: Unit) -> CheckOptions:
    return replace(day.options, joined=unit.shape == "parts")


def _job(day: _Day, unit: Unit, name: str) -> Job:
    key, options = _key(day.folder, unit), _options(day, unit)
    measured, drawn = state.measured_with(unit.paths, options, day.specs), state.drawn_with(options)
    old = day.memory.take(key)
    same = old is not None and old.measured_with == measured and state.is_whole(day.out, old)
    sizes = [size for _, size, _ in old.identity] if old else []
    same_size = same and sizes == [head.size_bytes for head in unit.heads]
    same_time = (
        same_size
        and old is not None
        and all(
            Path(path).exists() and Path(path).stat().st_mtime_ns == changed
            for path, _, changed in old.identity
        )
    )
    base_s, factor = day.limits
    return Job(
        task="draw" if same_time else "check",
        key=key,
        name=name,
        paths=[str(path) for path in unit.paths],
        options=options,
        out=str(day.out),
        folder=f"takes/{file_name(unit.paths[0].stem)}-{key[:6]}",
        measured_with=measured,
        drawn_with=drawn,
        limit_s=base_s + factor * unit.length_s,
        known=old.checksum
        if old and same_size and not same_time and old.drawn_with == drawn
        else None,
    )


def _settle_copies(
    day: _Day, pool: Executor, units: Sequence[Unit], stamps: dict[Path, SeenFile]
) -> tuple[dict[tuple[Path, ...], tuple[Path, ...]], dict[tuple[Path, ...], str]]:
    """Compare the sound of units of one form: which are copies, which backups differ."""
    groups = finding.copies_to_settle(units)
    known, now = day.memory.checksums(), {}
    waiting: dict[Future[Answer], str] = {}
    marks = {}
    for unit in (unit for alike in groups for unit in alike):
        mark = hashlib.sha256(repr(_identity(unit, stamps)).encode()).hexdigest()
        marks[unit.paths] = mark
        if mark in known:
            now[mark] = known[mark]
        else:
            job = msgspec.structs.replace(_job(day, unit, ""), task="checksum")
            waiting[pool.submit(isolated, job)] = mark
    for future, mark in waiting.items():
        answer = _answer(future)
        if answer.checksum:
            now[mark] = answer.checksum
    if now != known:
        day.memory.keep_checksums(now)
    copies, notes = {}, {}
    for alike in groups:
        firsts: dict[str, Unit] = {}
        for unit in alike:
            sound = now.get(marks[unit.paths])
            if sound is None:
                continue
            first = firsts.setdefault(sound, unit)
            if first is not unit:
                copies[unit.paths] = first.paths
        for unit in firsts.values():
            twin = next((u for u in firsts.values() if u is not unit and _same_name(u, unit)), None)
            if twin is not None:
                notes[unit.paths] = (
                    f"{_name(day.folder, twin)} has the same name and length but other sound: "
                    "one of them is a bad copy. Copy it again before the card is erased."
                )
    return copies, notes


def _same_name(one: Unit, two: Unit) -> bool:
    return [path.name for path in one.paths] == [path.name for path in two.paths]


def _name(folder: Path, unit: Unit) -> str:
    name = unit.paths[0].relative_to(folder).as_posix()
    more = len(unit.paths) - 1
    return name if not more else f"{name} + {unit.paths[1].name}" + (f" + {more - 1}" * (more > 1))


def _key(folder: Path, unit: Unit) -> str:
    return _key_of(folder, unit.paths)


def _key_of(folder: Path, paths: Sequence[Path]) -> str:
    names = "\n".join(path.relative_to(folder).as_posix() for path in paths)
    return hashlib.sha256(names.encode("utf-8", "surrogateescape")).hexdigest()[:24]
