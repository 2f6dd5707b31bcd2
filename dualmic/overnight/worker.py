"""One process that checks takes, one after the other, for a run that may lose it at any moment.

It reads a job a line from standard input and writes lines back: progress, then the answer. When
its input ends, the run that started it is gone and so is the process, in the middle of a take too.
"""

import os
import queue
import sys
import threading
from pathlib import Path

import msgspec

from dualmic.errors import DualmicError, RecordingError, ReportError
from dualmic.measure import Progress
from dualmic.overnight.checking import ChangedError, check, checksum
from dualmic.overnight.jobs import Answer, Job
from dualmic.overnight.state import KnownHead, to_plain
from dualmic.readers.openfile import read_head


def do(job: Job, say_progress: Progress | None = None) -> Answer:
    """Do one job in this process; errors that a file can cause become part of the answer."""
    try:
        if job.task == "heads":
            rate = job.options.settings.timecode_rate
            return Answer(heads=[_head(path, rate) for path in job.files])
        if job.task == "checksum":
            return Answer(checksum=checksum(job.files, job.options.joined))
        return Answer(row=check(job, say_progress))
    except ReportError as error:
        return Answer(error=str(error), cannot_write=True)
    except (DualmicError, OSError) as error:
        return Answer(error=str(error), passing=_is_passing(error))
    except MemoryError:
        return Answer(error="There was not enough memory for it.", lost=True)
    except Exception as error:  # a fault of ours in one take must not end the night
        return Answer(error=f"It could not be measured: {type(error).__name__}: {error}")


def _is_passing(error: BaseException) -> bool:
    """Say whether the cause lies in the disk or the moment, not in the file's content."""
    chain: list[BaseException] = []
    cause: BaseException | None = error
    while cause is not None and cause not in chain:  # an error may be its own cause
        chain.append(cause)
        cause = cause.__cause__ or cause.__context__
    return any(isinstance(cause, OSError | ChangedError) for cause in chain)


def _head(path: Path, rate: str) -> KnownHead:
    """Return what a file says of itself."""
    size, changed = 0, 0
    try:
        status = path.stat()
        size, changed = status.st_size, status.st_mtime_ns
        return KnownHead(size, changed, read_head(path, rate))
    except (RecordingError, OSError) as error:
        if str(error).startswith("There is no sound in"):
            return KnownHead(size, changed)  # a picture, or pictures without sound
        return KnownHead(size, changed, error=str(error), passing=_is_passing(error))
    except Exception as error:  # a fault of ours in one file must not end the night
        return KnownHead(size, changed, error=f"It cannot be opened: {error}")


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
        answers.write(msgspec.json.encode(answer, enc_hook=to_plain) + b"\n")

    while True:
        job = msgspec.json.decode(jobs.get(), type=Job)
        say(do(job, lambda done_s: say(Answer(progress_s=done_s))))


if __name__ == "__main__":
    main()
