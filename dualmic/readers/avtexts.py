"""What a container file says of itself: track names, timecode, recording date, free texts.

These are words of a camera or a person, read through PyAV's metadata: shown, never trusted.
"""

from collections.abc import Iterable
from fractions import Fraction
from typing import Any

from dualmic import timecode
from dualmic.readers.riff import iso_time
from dualmic.record import Timecode

# Words that file writers put where a name could stand; they name no microphone.
_GENERIC = ("handler", "core media", "stereo", "mono", "audio", "sound", "track")
_TEXTS = {"make", "model", "title", "comment", "description", "location", "product_name"}


def track_name(metadata: dict[str, str]) -> str | None:
    """Return the name a track bears, or ``None`` where it is only the writer's default."""
    lower = {key.lower(): value.strip() for key, value in metadata.items()}
    for key in ("title", "name", "track_name", "handler_name"):
        value = lower.get(key, "")
        bare = value.casefold().strip(" #0123456789")
        if value and not any(bare in (word, "") or "handler" in bare for word in _GENERIC):
            return value
    return None


def start_timecode(
    container: Any, default_rate: str, track_rate: Fraction | None, late_s: float
) -> Timecode | None:
    """Return the timecode at the start of the sound, which is ``late_s`` after the picture's.

    It is counted at ``track_rate`` where the file states one, else at the picture's rate, or at
    ``default_rate`` where there is no picture.
    """
    video = container.streams.video
    rates = [
        rate for stream in video for rate in (stream.average_rate, stream.guessed_rate) if rate
    ]
    rate = track_rate or (timecode.nearest_rate(rates[0]) if rates else Fraction(default_rate))
    streams = [stream for stream in container.streams if stream.type in ("data", "video")]
    for metadata in [*(stream.metadata for stream in streams), container.metadata]:
        text = {key.lower(): value for key, value in metadata.items()}.get("timecode")
        if text:
            try:
                return timecode.Counter.parse(text, str(rate)).later(late_s).timecode()
            except (ValueError, ZeroDivisionError):
                continue
    return None


def recorded_at(metadata: Iterable[dict[str, str]]) -> str | None:
    """Return the first recording date there is; the camera's own field goes before others."""
    places = [{key.lower(): value for key, value in one.items()} for one in metadata]
    for key in ("com.apple.quicktime.creationdate", "creation_time", "date", "modification_date"):
        for place in places:
            found = iso_time(place.get(key, ""))
            if found:
                return found
    return None


def free_texts(metadata: dict[str, str]) -> dict[str, str]:
    """Return the texts worth showing."""
    lower = {key.lower().rsplit(".", 1)[-1]: value.strip() for key, value in metadata.items()}
    return {key: value for key, value in lower.items() if key in _TEXTS and value}
