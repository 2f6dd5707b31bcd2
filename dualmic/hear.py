"""Problems as sound: a short clip of one, to listen to before the subject leaves.

A clip holds a second before and after, both microphones, as loud as recorded, with a short fade so
that it starts quietly.
"""

import shutil
import tempfile
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import soundfile as sf

from dualmic.errors import RecordingError, ReportError, UsageError
from dualmic.record import TakeRecord
from dualmic.report.clips import cut, span
from dualmic.report.words import clock

FADE_S = 0.5  # our choice: long enough to take the headphones off


def list_problems(record: TakeRecord) -> str:
    """Return one line a problem: its number, where it is and what was heard."""
    if not record.problems:
        return "There is nothing to hear: no problem was found."
    return "\n".join(f"{p.id:3}  {clock(p.start_s):>7}  {p.heard}" for p in record.problems)


def write_clip(
    record: TakeRecord, sources: Sequence[Path], number: int, folder: Path | None = None
) -> Path:
    """Write problem ``number`` as a WAV file and return its path.

    Args:
        record: the take's record.
        sources: its files, opened for reading only.
        number: the problem's number in the record.
        folder: where to; a new temporary folder when not given.

    Raises:
        UsageError: there is no such problem.
        RecordingError: its place cannot be read again.
        ReportError: there is no room for it.

    """
    problem = next((p for p in record.problems if p.id == number), None)
    if problem is None:
        known = f"1 to {len(record.problems)}" if record.problems else "none"
        raise UsageError(f"{record.take.name} has no problem {number}: there are {known}.")
    samples = cut(record, sources, *span(problem, record.take.duration_s))
    if samples is None:
        raise RecordingError(f"The place of problem {number} cannot be read again.")
    rate_hz = record.take.sample_rate_hz
    fade = min(round(FADE_S * rate_hz), len(samples))
    samples[:fade] *= np.linspace(0, 1, fade, dtype=np.float32)[:, None] ** 2
    made = folder is None
    folder = folder or Path(tempfile.mkdtemp(prefix="dualmic-"))
    path = folder / f"{record.take.name}-problem-{number}.wav"
    try:
        sf.write(path, samples, rate_hz, "PCM_24")
    except (sf.SoundFileError, OSError) as error:
        shutil.rmtree(folder) if made else path.unlink(missing_ok=True)
        raise ReportError(f"The clip cannot be written to {folder}: {error}") from error
    return path
