"""Problems as marks an editor or a player can load, in open formats.

WebVTT (W3C) for players and captions tools, CSV with timecode for anything that reads a table, and
a silent companion WAV that carries the marks as RIFF ``cue `` and ``adtl`` chunks with the take's
start timecode in ``bext`` (EBU Tech 3285). The recording itself is never written to. A timeline
in OpenTimelineIO is in :mod:`dualmic.report.timeline`.
"""

import csv
import io
import struct

from dualmic.record import Problem, TakeRecord
from dualmic.report.codes import SEVERITY_WORDS, kind_of
from dualmic.report.tables import cell
from dualmic.timecode import Counter

#: A mark needs a length to be seen: one frame at 25 frames a second (our choice).
_SHORTEST_S = 0.04
#: The companion is as long as the take, for programs drop cue points beyond a file's end. At 8 kHz
#: any program opens it and half an hour takes 14 MB; longer ones fall back to 1 kHz (our choice).
_COMPANION_RATE_HZ, _LONG_RATE_HZ, _LONG_S = 8000, 1000, 1800.0
_MARKS_HEADER = (
    "Name",
    "Start timecode",
    "End timecode",
    "Start (seconds)",
    "End (seconds)",
    "Start (samples)",
    "Microphone",
    "How bad",
    "What was heard",
)


def mark_name(problem: Problem) -> str:
    """Return a mark's short name: letter, number and what it is.

    >>> from dualmic.record import Problem
    >>> mark_name(Problem(3, "clipping", "subject", 2, 1, 2, None, None, 1, "fail", None, None,
    ...                   None, "", ""))
    'C3 crackles, too loud for the input (subject)'
    """
    kind = kind_of(problem.kind)
    return f"{kind.letter}{problem.id} {kind.title} ({problem.mic or 'both'})"


def web_vtt(record: TakeRecord) -> bytes:
    """Return the problems as WebVTT cues."""
    lines = ["WEBVTT", ""]
    for problem in record.problems:
        end_s = max(problem.end_s, problem.start_s + _SHORTEST_S)
        lines += [
            f"problem-{problem.id}",
            f"{_vtt_time(problem.start_s)} --> {_vtt_time(end_s)}",
            f"{_vtt_text(mark_name(problem))}: {SEVERITY_WORDS[problem.severity]}",
            _vtt_text(problem.heard),
            "",
        ]
    return "\n".join(lines).encode()


def _vtt_time(seconds: float) -> str:
    milliseconds = round(seconds * 1000)
    whole, rest = divmod(milliseconds, 1000)
    return f"{whole // 3600:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}.{rest:03d}"


def _vtt_text(text: str) -> str:
    """Escape what WebVTT reads as markup, and keep a cue's text on one line."""
    safe = text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    return " ".join(safe.split()) or "-"


def marks_csv(record: TakeRecord) -> bytes:
    """Return the marks as CSV with timecode, seconds and samples; UTF-8 with byte order mark."""
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer)
    writer.writerow(_MARKS_HEADER)
    for problem in record.problems:
        values = (
            mark_name(problem),
            problem.start_timecode,
            problem.end_timecode,
            f"{problem.start_s:.3f}",
            f"{problem.end_s:.3f}",
            str(round(problem.start_s * record.take.sample_rate_hz)),
            problem.mic or "both",
            SEVERITY_WORDS[problem.severity],
            problem.heard,
        )
        writer.writerow(cell(value) for value in values)
    return buffer.getvalue().encode("utf-8-sig")


def companion_wav(record: TakeRecord) -> bytes:
    """Return a silent WAV as long as the take, its cue points the problems (8 bit, one channel).

    Chunks ``bext`` (start timecode as samples since midnight), ``fmt ``, ``cue ``, ``LIST adtl``
    with a ``labl``, a ``note`` and, for stretches, an ``ltxt`` each, and ``data``.
    """
    rate = _LONG_RATE_HZ if record.take.duration_s > _LONG_S else _COMPANION_RATE_HZ
    labels = b"".join(_label(problem, rate) for problem in record.problems)
    chunks = [
        (b"bext", _bext(record, rate)),
        (b"fmt ", struct.pack("<HHIIHH", 1, 1, rate, rate, 1, 8)),
        (b"cue ", _cue(record, rate)),
        (b"LIST", b"adtl" + labels),
        (b"data", b"\x80" * round(record.take.duration_s * rate)),
    ]
    body = b"WAVE" + b"".join(_chunk(name, content) for name, content in chunks)
    return b"RIFF" + struct.pack("<I", len(body)) + body


def _chunk(name: bytes, content: bytes) -> bytes:
    return name + struct.pack("<I", len(content)) + content + bytes(len(content) % 2)


def _bext(record: TakeRecord, rate: int) -> bytes:
    """Return a version 1 ``bext`` chunk (EBU Tech 3285): description, and where the take begins."""
    description = f"Marks of {record.take.name}; the sound is in the recording itself"
    date, time = b"", b""
    if record.take.recorded_at:
        day, _, clock = record.take.recorded_at.partition("T")
        date, time = day[:10].encode("ascii", "replace"), clock[:8].encode("ascii", "replace")
    reference = 0
    if record.take.timecode:
        counter = Counter.of(record.take.timecode)
        reference = round(counter.start_frame / counter.rate * rate)
    return struct.pack(
        "<256s32s32s10s8sIIH64s190s",
        description.encode("ascii", "replace")[:256],
        b"dualmic",
        b"",
        date,
        time,
        reference & 0xFFFFFFFF,
        reference >> 32,
        1,
        b"",
        b"",
    )


def _cue(record: TakeRecord, rate: int) -> bytes:
    points = b"".join(
        struct.pack(
            "<II4sIII",
            problem.id,
            round(problem.start_s * rate),
            b"data",
            0,
            0,
            round(problem.start_s * rate),
        )
        for problem in record.problems
    )
    return struct.pack("<I", len(record.problems)) + points


def _label(problem: Problem, rate: int) -> bytes:
    """Return the name, the sentence and the length of one cue point."""
    number = struct.pack("<I", problem.id)
    length = round(problem.end_s * rate) - round(problem.start_s * rate)
    parts = [
        _chunk(b"labl", number + mark_name(problem).encode() + b"\0"),
        _chunk(b"note", number + problem.heard.encode() + b"\0"),
    ]
    if length > 0:
        region = struct.pack("<I4sHHHH", length, b"rgn ", 0, 0, 0, 0)
        parts.append(_chunk(b"ltxt", number + region))
    return b"".join(parts)
