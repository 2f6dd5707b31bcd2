"""The take as an OpenTimelineIO timeline: one clip a microphone, its problems as markers.

Needs the ``timeline`` extra; without it there is simply no such file.
"""

import importlib.util
from pathlib import PurePath

from dualmic.record import MIC_ROLES, MicRole, Problem, TakeRecord
from dualmic.report.marks import mark_name
from dualmic.timecode import Counter, parse_rate

#: Marker colours that the format knows, by family; the names in the markers say what they mean.
_COLOURS = {"damage": "RED", "level": "ORANGE", "background": "PURPLE", "between": "GREEN"}
#: For takes without timecode: fine enough for any mark, and whole in a second (our choice).
_NO_TIMECODE_RATE = "25"


def available() -> bool:
    """Whether OpenTimelineIO is installed."""
    return importlib.util.find_spec("opentimelineio") is not None


def timeline(record: TakeRecord) -> bytes:
    """Return an ``.otio`` file: a track for each microphone, the take's timecode as start."""
    import opentimelineio as otio

    from dualmic.report.codes import kind_of

    timecode = record.take.timecode
    rate = float(parse_rate(timecode.rate if timecode else _NO_TIMECODE_RATE))
    start_frame = Counter.of(timecode).start_frame if timecode else 0

    def time(seconds: float) -> "otio.opentime.RationalTime":
        return otio.opentime.RationalTime(round(seconds * rate), rate)

    start = otio.opentime.RationalTime(start_frame, rate)
    whole = otio.opentime.TimeRange(start, time(record.take.duration_s))

    # A name alone: editors look for the file, which lies elsewhere on their computer.
    file_name = PurePath(record.take.files[0].path).name if record.take.files else ""

    def marker(problem: Problem) -> "otio.schema.Marker":
        kind = kind_of(problem.kind)
        length = time(max(problem.end_s - problem.start_s, 1.0 / rate))
        return otio.schema.Marker(
            name=mark_name(problem),
            marked_range=otio.opentime.TimeRange(start + time(problem.start_s), length),
            color=_COLOURS[kind.family],
            comment=problem.heard,
            metadata={"dualmic": {"kind": problem.kind, "severity": problem.severity}},
        )

    def track(role: MicRole) -> "otio.schema.Track":
        clip = otio.schema.Clip(
            name=f"{record.take.name}, {role}",
            media_reference=otio.schema.ExternalReference(
                target_url=file_name,
                available_range=whole,
            ),
            source_range=whole,
        )
        # What concerns both microphones is marked on both.
        clip.markers.extend(marker(p) for p in record.problems if p.mic in (role, None))
        made = otio.schema.Track(name=role, kind=otio.schema.TrackKind.Audio)
        made.append(clip)
        return made

    result = otio.schema.Timeline(name=record.take.name, global_start_time=start)
    result.tracks.extend(track(role) for role in MIC_ROLES if role in record.mics)
    text = otio.adapters.write_to_string(result, "otio_json")
    return f"{text}\n".encode()
