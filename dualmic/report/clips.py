"""Problems as sound: a second before, the problem, a second after, on both microphones.

Cut straight out of the recordings, which are opened for reading only, and compressed with Opus
(RFC 6716) in WebM, which browsers play from inside a page. The level stays as it was recorded.
"""

import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import av
import numpy as np
from av.audio.stream import AudioStream
from numpy.typing import NDArray

from dualmic.errors import DualmicError
from dualmic.readonly import open_read_only
from dualmic.record import MIC_ROLES, Problem, TakeRecord

#: Sound around a problem, seconds.
MARGIN_S = 1.0
#: A problem longer than this is heard at its beginning only (our choice: a page stays small).
LONGEST_S = 6.0
#: All clips of a page together, so that it stays under 3 MB once they are written as text.
_BUDGET_BYTES = 1_650_000
_OPUS_RATE_HZ = 48_000
_BIT_RATE = 72_000  # our choice: speech on two channels with nothing to hear of the coding
#: A third of the time of the slowest search, a tenth more bytes (measured here, libopus 1.5).
_FAST = {"compression_level": "2"}
_SEVERITIES = ("fail", "warn", "note")


@dataclass(frozen=True)
class Clip:
    """A problem as sound: its media type, its bytes, and how long it lasts."""

    media_type: str
    content: bytes
    duration_s: float


def problem_clips(record: TakeRecord, sources: Sequence[Path]) -> dict[int, Clip]:
    """Return clips by ``Problem.id``: the worst problems first, as many as fit a page.

    A problem whose sound cannot be read again has no clip; that is no error, for the record does
    not depend on it.
    """
    clips: dict[int, Clip] = {}
    spent = 0
    order = sorted(record.problems, key=lambda p: (_SEVERITIES.index(p.severity), p.start_s))
    with _Cutter(record, sources) as cutter:
        for problem in order:
            samples = cutter.cut(*span(problem, record.take.duration_s))
            if samples is None:
                continue
            clip = encode(samples, record.take.sample_rate_hz)
            spent += len(clip.content)
            if spent > _BUDGET_BYTES:
                break
            clips[problem.id] = clip
    return clips


def span(problem: Problem, duration_s: float) -> tuple[float, float]:
    """Return where the clip of a problem begins and ends in the take, seconds."""
    end_s = min(problem.end_s, problem.start_s + LONGEST_S)
    return max(0.0, problem.start_s - MARGIN_S), min(duration_s, end_s + MARGIN_S)


def cut(
    record: TakeRecord, sources: Sequence[Path], start_s: float, end_s: float
) -> NDArray[np.float32] | None:
    """Return a stretch of the take, ``(frames, 2)``: interviewer left, subject right.

    ``None`` when the recordings cannot be read there. A microphone the take does not have is
    silent.
    """
    with _Cutter(record, sources) as cutter:
        return cutter.cut(start_s, end_s)


def encode(samples: NDArray[np.float32], sample_rate_hz: int) -> Clip:
    """Return ``samples`` ``(frames, channels)`` as Opus in WebM."""
    buffer = io.BytesIO()
    layout = "stereo" if samples.shape[1] == 2 else "mono"
    with av.open(buffer, "w", format="webm") as container:
        stream = container.add_stream("libopus", rate=_OPUS_RATE_HZ, layout=layout, options=_FAST)
        assert isinstance(stream, AudioStream)
        stream.bit_rate = _BIT_RATE
        resampler = av.AudioResampler(format="flt", layout=layout, rate=_OPUS_RATE_HZ)
        packed = np.ascontiguousarray(np.clip(samples, -1.0, 1.0), np.float32).reshape(1, -1)
        frame = av.AudioFrame.from_ndarray(packed, format="flt", layout=layout)
        frame.sample_rate = sample_rate_hz
        for piece in (*resampler.resample(frame), *resampler.resample(None)):
            container.mux(stream.encode(piece))
        container.mux(stream.encode(None))
    return Clip("audio/webm; codecs=opus", buffer.getvalue(), len(samples) / sample_rate_hz)


class _Cutter:
    """The take's files, opened once; each stretch is found by seeking."""

    def __init__(self, record: TakeRecord, sources: Sequence[Path]) -> None:
        self._record = record
        self._files = [_File(path) for path in sources]
        used = {channel.file for channel in record.channels}
        #: Parts of one take follow each other and all have the channels of the first.
        self._joined = len(sources) > 1 and used == {0}

    def __enter__(self) -> "_Cutter":
        return self

    def __exit__(self, *_: object) -> None:
        for file in self._files:
            file.close()

    def cut(self, start_s: float, end_s: float) -> NDArray[np.float32] | None:
        rate = self._record.take.sample_rate_hz
        out = np.zeros((max(1, round((end_s - start_s) * rate)), 2), np.float32)
        found = False
        for number, shift_s in self._parts(start_s, end_s):
            sound = self._files[number].read(start_s - shift_s, end_s - shift_s, rate)
            if sound is None:
                continue
            for side, role in enumerate(MIC_ROLES):
                column = self._column(role, number)
                if column is not None and column < sound.shape[1]:
                    length = min(len(out), len(sound))
                    out[:length, side] += sound[:length, column]
                    found = True
        return out if found else None

    def _parts(self, start_s: float, end_s: float) -> Iterable[tuple[int, float]]:
        """Yield the files that lie in that stretch, and where in the take each begins."""
        for number in range(len(self._files)):
            if not self._joined:
                yield number, 0.0
                continue
            part = self._record.take.files[number]
            if part.start_s < end_s and part.start_s + part.duration_s > start_s:
                yield number, part.start_s

    def _column(self, role: str, number: int) -> int | None:
        """Return which channel of a file is a person's, counted from 0."""
        of_file = [c for c in self._record.channels if self._joined or c.file == number]
        roles = self._record.roles
        # A microphone that both people share is heard on both sides.
        wanted = roles.subject if role == "subject" else roles.interviewer or roles.subject
        return next((i for i, c in enumerate(of_file) if c.channel == wanted), None)


class _File:
    """One recording, read at any place through PyAV."""

    def __init__(self, path: Path) -> None:
        self._raw: io.FileIO | None = None
        self._container: av.container.InputContainer | None = None
        try:
            self._raw = open_read_only(path)
            self._container = av.open(io.BufferedReader(self._raw), "r")
            for stream in self._container.streams:
                if stream.type != "audio":
                    stream.discard = av.stream.Discard.all
        except (DualmicError, av.FFmpegError, OSError, ValueError):
            self.close()

    def close(self) -> None:
        if self._container is not None:
            self._container.close()
        if self._raw is not None:
            self._raw.close()
        self._container = self._raw = None

    def read(self, start_s: float, end_s: float, rate_hz: int) -> NDArray[np.float32] | None:
        """Return ``(frames, channels)`` of all tracks side by side, or ``None``."""
        if self._container is None or not self._container.streams.audio:
            return None
        try:
            return self._decode(self._container, start_s, end_s, rate_hz)
        except (av.FFmpegError, OSError, ValueError):
            return None

    def _decode(
        self,
        container: av.container.InputContainer,
        start_s: float,
        end_s: float,
        rate_hz: int,
    ) -> NDArray[np.float32] | None:
        streams = container.streams.audio
        first = streams[0]
        assert first.time_base is not None
        offset = int(max(0.0, start_s - 0.1) / first.time_base) + (first.start_time or 0)
        container.seek(offset, stream=first, backward=True)
        frames = max(1, round((end_s - start_s) * rate_hz))
        tracks = {
            s.index: np.zeros((frames, s.codec_context.channels), np.float32) for s in streams
        }
        done: set[int] = set()
        for packet in container.demux(streams):
            for frame in packet.decode():
                stream = packet.stream
                if frame.pts is None or frame.time_base is None:
                    continue
                begins = float((frame.pts - (stream.start_time or 0)) * frame.time_base) - start_s
                place = round(begins * rate_hz)
                _put(tracks[stream.index], _samples(frame), place)
                if place >= frames:
                    done.add(stream.index)
            if len(done) == len(streams):
                break
        return np.concatenate([tracks[s.index] for s in streams], axis=1)


def _samples(frame: av.AudioFrame) -> NDArray[np.float32]:
    """Return a frame's samples ``(frames, channels)`` re full scale 1.0."""
    data = frame.to_ndarray()
    if not frame.format.is_planar:
        data = data.reshape(-1, len(frame.layout.channels)).T
    samples = data.astype(np.float32).T
    # FFmpeg's integer formats are left-justified: full scale is the container's own.
    if data.dtype.kind == "u":
        return (samples - np.float32(128.0)) / np.float32(128.0)
    if data.dtype.kind == "i":
        return samples / np.float32(2.0 ** (8 * data.dtype.itemsize - 1))
    return samples


def _put(out: NDArray[np.float32], samples: NDArray[np.float32], place: int) -> None:
    """Copy what of ``samples`` falls inside ``out`` when it begins at ``place``."""
    skip = max(0, -place)
    place = max(0, place)
    count = min(len(samples) - skip, len(out) - place)
    if count > 0:
        out[place : place + count] = samples[skip : skip + count]
