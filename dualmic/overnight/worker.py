"""One process that checks takes, one after the other, for a run that may lose it at any moment.

It reads a job a line from standard input and writes lines back: progress, then the answer. When
its input ends, the run that started it is gone and so is the process, in the middle of a take too.
"""

import hashlib
import itertools
import os
import queue
import sys
import threading
from collections import Counter
from pathlib import Path
from typing import Literal

import msgspec

from dualmic.errors import DualmicError, ReportError
from dualmic.measure import Progress
from dualmic.overnight import state as day_state
from dualmic.overnight.state import Row, TakeState
from dualmic.record import TakeRecord, read
from dualmic.recording import open_recording
from dualmic.take import CheckOptions, check_take

_PLOT_COLUMNS = 120  # our choice: about one a pixel of the small plot
_PLOT_RANGE_DB = 60.0  # our choice


class Job(msgspec.Struct, frozen=True):
    """What is to be done with one take.

    ``known`` is the checksum of a finished report whose files have another time now: when the
    sound is still the same, the report stays.
    """

    task: Literal["check", "draw", "checksum"]
    key: str
    name: str
    paths: list[str]
    options: CheckOptions
    out: str
    folder: str
    measured_with: str
    drawn_with: str
    limit_s: float
    known: str | None = None


class Answer(msgspec.Struct, frozen=True):
    """What became of a job: a row, a checksum, or an error; ``progress_s`` alone on the way."""

    row: Row | None = None
    checksum: str | None = None
    error: str | None = None
    cannot_write: bool = False
    progress_s: float | None = None


def do(job: Job, say_progress: Progress | None = None) -> Answer:
    """Do one job in this process; errors that a file can cause become part of the answer."""
    try:
        if job.task == "checksum":
            return Answer(checksum=checksum([Path(p) for p in job.paths], job.options.joined))
        return Answer(row=_check(job, say_progress))
    except ReportError as error:
        return Answer(error=str(error), cannot_write=True)
    except (DualmicError, OSError) as error:
        return Answer(error=str(error))
    except MemoryError:
        return Answer(error="There was not enough memory for it.")
    except Exception as error:  # a fault of ours in one take must not end the night
        return Answer(error=f"It could not be measured: {type(error).__name__}: {error}")


def checksum(paths: list[Path], joined: bool = False) -> str:
    """Return the checksum of the sound; of the files' bytes where it is lossy.

    Raises:
        RecordingError: a file cannot be read.

    """
    with open_recording(paths, joined=joined) as recording:
        for _ in recording.blocks():
            pass
        digests = [file.audio_md5 for file in recording.ending().files]
    if all(digests):
        return "sound " + " ".join(str(digest) for digest in digests)
    whole = hashlib.sha256()
    for path in paths:
        with path.open("rb") as file:
            while block := file.read(1 << 20):
                whole.update(block)
    return "bytes " + whole.hexdigest()


def _check(job: Job, say_progress: Progress | None) -> Row:
    paths, out = [Path(p) for p in job.paths], Path(job.out)
    memory = out / day_state.FOLDER
    before = day_state.identity(paths)
    old = day_state.DayState(out).take(job.key)
    if old and job.known and checksum(paths, job.options.joined) == job.known:
        kept = msgspec.structs.replace(old, identity=before)
        day_state.write_take(memory, job.key, kept)
        return kept.row
    if job.task == "draw" and old is not None:
        record = _renamed(read(out / _ending(old.written, ".json")), job.options)
    else:
        record = check_take(paths, job.options, say_progress)
    if day_state.identity(paths) != before:
        raise DualmicError("The file changed while it was being read: check it again.")
    if not memory.is_dir():  # a disk that was taken away must not be made anew under its name
        raise ReportError(f"The report folder {out} is not there any more.")
    from dualmic.report import write_report_set

    marks = job.options.settings.marks
    labels = {"Project": marks.project, "Roll": marks.roll, "Notes": marks.notes}
    written = write_report_set(
        record,
        out / job.folder,
        sources=paths,
        labels={name: text for name, text in labels.items() if text},
    )
    sizes = {path.relative_to(out).as_posix(): path.stat().st_size for path in written}
    row = row_of(record, job.key, job.name, job.paths, _ending(sizes, ".html"))
    digests = [file.audio_md5 for file in record.take.files]
    sound = "sound " + " ".join(map(str, digests)) if all(digests) else None
    new = TakeState(before, job.measured_with, job.drawn_with, sound, sizes, row)
    day_state.write_take(memory, job.key, new)
    return row


def _ending(names: dict[str, int], suffix: str) -> str:
    return next(name for name in names if name.endswith(suffix))


def _renamed(record: TakeRecord, options: CheckOptions) -> TakeRecord:
    """Put today's names of the people into a record that was measured before."""
    people = options.settings.people
    roles = msgspec.structs.replace(
        record.roles, interviewer_name=people.interviewer, subject_name=people.subject
    )
    return msgspec.structs.replace(record, roles=roles)


def row_of(record: TakeRecord, key: str, name: str, files: list[str], page: str) -> Row:
    """Return what the day's page says of a take."""
    from dualmic.commands import exit_status
    from dualmic.report.verdict import ask_again, verdict_words
    from dualmic.report.words import clock

    words = verdict_words(record)
    rank = {"fail": 0, "warn": 1, "note": 2}
    told = [p for p in record.problems if p.severity != "note"]
    first = min(told, key=lambda p: (rank[p.severity], p.start_s), default=None)
    kinds = Counter(f"{p.kind} {p.mic or 'both'}" for p in told)
    return Row(
        key=key,
        name=name,
        files=files,
        verdict=record.verdict or record.kind_of_take,
        headline=words.headline,
        tone=words.tone,
        failed=exit_status(record) != 0,
        deliveries={name: delivery.result for name, delivery in record.deliveries.items()},
        first_problem=f"{clock(first.start_s)} {first.heard}" if first else None,
        at_risk=sum(not ask.covered for ask in ask_again(record)),
        duration_s=record.take.duration_s,
        recorded_at=record.take.recorded_at,
        speech_s={role: mic.speech_s for role, mic in record.mics.items()},
        kinds=dict(kinds),
        plot=_plot(record),
        page=page,
    )


def _plot(record: TakeRecord) -> dict[str, list[int]]:
    plots = {}
    for role in ("interviewer", "subject"):
        trace = getattr(record.overview, role)
        levels = trace.peak_dbfs if trace else []
        columns = min(_PLOT_COLUMNS, len(levels))
        edges = [len(levels) * k // columns for k in range(columns + 1)] if columns else [0]
        tops = [
            max((v for v in levels[a:b] if v is not None), default=-_PLOT_RANGE_DB)
            for a, b in itertools.pairwise(edges)
        ]
        plots[role] = [max(0, min(99, round(99 * (1 + top / _PLOT_RANGE_DB)))) for top in tops]
    return plots


def main() -> None:
    """Answer jobs until there are no more."""
    jobs: queue.SimpleQueue[bytes] = queue.SimpleQueue()
    answers = os.fdopen(os.dup(1), "wb", buffering=0)
    os.dup2(2, 1)  # what a library prints must not get between the answers

    def listen() -> None:
        for line in sys.stdin.buffer:
            jobs.put(line)
        os._exit(0)

    threading.Thread(target=listen, daemon=True).start()

    def say(answer: Answer) -> None:
        answers.write(msgspec.json.encode(answer) + b"\n")

    while True:
        job = msgspec.json.decode(jobs.get(), type=Job)
        say(do(job, lambda done_s: say(Answer(progress_s=done_s))))


if __name__ == "__main__":
    main()
