"""One take of a day, from its files to its report set and what is remembered of it.

The report set is written first and the memory last, each whole or not at all: what is killed in
between is done again.
"""

import hashlib
from collections.abc import Sequence
from pathlib import Path

import msgspec

from dualmic.errors import DualmicError, ReportError
from dualmic.measure import Progress
from dualmic.overnight import state as day_state
from dualmic.overnight.jobs import Job
from dualmic.overnight.rows import row_of
from dualmic.overnight.state import DayState, Row, TakeState
from dualmic.readers.filereader import path_text
from dualmic.record import SourceFile, TakeRecord, read
from dualmic.recording import open_recording
from dualmic.report.private import private_record
from dualmic.take import CheckOptions, check_take


class ChangedError(DualmicError):
    """The file is not what it was when its reading began."""


def check(job: Job, say_progress: Progress | None) -> Row:
    """Measure one take, or draw it again, write its report set, then what is known of it.

    Raises:
        DualmicError: a file cannot be read, or the report not be written.
        OSError: a file went away.

    """
    paths, out = job.files, Path(job.out)
    memory = DayState(out)
    before = day_state.stamps(paths)
    old = memory.take(job.key)
    if old and job.known and checksum(paths, job.options.joined) == job.known:
        kept = msgspec.structs.replace(old, identity=memory.identity(before))
        day_state.write_take(memory.folder, job.key, kept)
        return kept.row
    if job.task == "draw" and old is not None:
        record = _renamed(read(out / _ending(old.written, ".json")), job.options)
    else:
        record = check_take(paths, job.options, say_progress)
    if day_state.stamps(paths) != before:
        raise ChangedError("The file changed while it was being read: check it again.")
    if job.private:
        record = private_take(record, paths, job.name)
    _refuse_absent(memory)
    sizes = _write(job, record, out, paths)
    if not memory.is_there():  # it was taken away meanwhile, and this made it anew
        _take_back(out, sizes)
    _refuse_absent(memory)
    files = [] if job.private else [path_text(path) for path in paths]
    row = row_of(record, job.key, job.name, files, _ending(sizes, ".html"))
    sound = _sound(record.take.files)
    identity = memory.identity(before)
    new = TakeState(identity, job.measured_with, job.drawn_with, sound, sizes, row)
    day_state.write_take(memory.folder, job.key, new)
    return row


def _write(job: Job, record: TakeRecord, out: Path, paths: list[Path]) -> dict[str, int]:
    """Write the report set and return the bytes of each file."""
    from dualmic.report import write_report_set

    written = write_report_set(
        record,
        out / job.folder,
        sources=None if job.private else paths,
        labels={} if job.private else job.options.settings.marks.labels(),
    )
    return {path.relative_to(out).as_posix(): path.stat().st_size for path in written}


def private_take(record: TakeRecord, paths: list[Path], name: str) -> TakeRecord:
    """Return a record without names that is called as the day's page calls the take."""
    replace = msgspec.structs.replace
    private = private_record(record, paths)
    at_risk = [
        replace(line, covered_by=replace(line.covered_by, take=name))
        if line.covered_by and line.covered_by.take == private.take.name
        else line
        for line in private.at_risk
    ]
    return replace(private, take=replace(private.take, name=name), at_risk=at_risk)


def _refuse_absent(memory: DayState) -> None:
    """Stop when the report folder's disk was taken away: it must not be made anew elsewhere."""
    if not memory.is_there():
        raise ReportError(f"The report folder {memory.folder.parent} is not there any more.")


def _take_back(out: Path, written: dict[str, int]) -> None:
    """Remove files that were written where the report folder had been, and folders left empty."""
    for name in written:
        path = out / name
        path.unlink(missing_ok=True)
    for folder in (path.parent, *path.parent.parents):
        try:
            folder.rmdir()
        except OSError:
            break


def _ending(names: dict[str, int], suffix: str) -> str:
    return next(name for name in names if name.endswith(suffix))


def _renamed(record: TakeRecord, options: CheckOptions) -> TakeRecord:
    """Put today's names of the people into a record that was measured before."""
    people = options.settings.people
    roles = msgspec.structs.replace(
        record.roles, interviewer_name=people.interviewer, subject_name=people.subject
    )
    return msgspec.structs.replace(record, roles=roles)


def _sound(files: Sequence[SourceFile]) -> str | None:
    """Return what the sound of a take's files is known by, None where some of it is lossy."""
    digests = [file.audio_md5 for file in files]
    return "sound " + " ".join(map(str, digests)) if all(digests) else None


def checksum(paths: list[Path], joined: bool = False) -> str:
    """Return the checksum of the sound; of the files' bytes where it is lossy.

    Raises:
        RecordingError: a file cannot be read.

    """
    with open_recording(paths, joined=joined) as recording:
        for _ in recording.blocks():
            pass
        sound = _sound(recording.ending().files)
    if sound is not None:
        return sound
    whole = hashlib.sha256()
    for path in paths:
        with path.open("rb") as file:
            while block := file.read(1 << 20):
                whole.update(block)
    return "bytes " + whole.hexdigest()
