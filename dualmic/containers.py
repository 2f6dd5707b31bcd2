"""Camera files: MOV, MP4, MXF, Matroska and other containers, through PyAV (FFmpeg).

Camera files are mostly picture. Every stream that is not sound is discarded in the demuxer, which
then skips its bytes where the format has an index. All audio tracks are flattened into one list
of channels, in file order. Plain samples are taken from the packets as they are, without a
decoder; coded sound is decoded.

FFmpeg guesses formats, and some formats are lists that make it open other files or addresses:
only the formats named here are let in, and only the file itself is read.
"""

import io
import os
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
from av.stream import Discard
from numpy.typing import NDArray

from dualmic import pcm, timecode
from dualmic.errors import RecordingError
from dualmic.filereader import (
    FileEnd,
    FileHead,
    FileReader,
    FileTrack,
    Gap,
    check_shape,
    shortfall,
)
from dualmic.record import Timecode
from dualmic.riff import iso_time
from dualmic.tracks import TrackQueue, widest

# FFmpeg's name of a format: the name people use.
_FORMATS = {
    "mov": "MOV or MP4",
    "mxf": "MXF",
    "matroska": "Matroska",
    "mpegts": "MPEG transport stream",
    "mpeg": "MPEG programme stream",
    "avi": "AVI",
    "asf": "ASF",
    "mp3": "MP3",
    "aac": "AAC",
    "ogg": "Ogg",
    "caf": "CAF",
    "wav": "WAV",
    "w64": "W64",
    "aiff": "AIFF",
    "flac": "FLAC",
    "au": "AU",
    "dv": "DV",
    "gxf": "GXF",
    "amr": "AMR",
}
_OPTIONS = {
    "format_whitelist": ",".join(_FORMATS) + ",mp4,m4a,3gp,3g2,mj2,webm",
    "protocol_whitelist": "none",
}
_LEAD_S = 20.0  # our choice: a track this far behind the others has ended or has a gap
_GENERIC_NAMES = ("handler", "soundhandler", "core media audio", "stereo", "mono", "audio")

# Plain codings: bits, type in the packet.
_PLAIN = {
    "pcm_s16le": (16, "<i2"),
    "pcm_s16be": (16, ">i2"),
    "pcm_s24le": (24, "<3"),
    "pcm_s24be": (24, ">3"),
    "pcm_s32le": (32, "<i4"),
    "pcm_s32be": (32, ">i4"),
    "pcm_f32le": (32, "<f4"),
    "pcm_f32be": (32, ">f4"),
    "pcm_f64le": (64, "<f8"),
    "pcm_f64be": (64, ">f8"),
}
_LOSSLESS = {"flac", "alac", "pcm_s8", "pcm_u8", "pcm_bluray", "pcm_dvd", "pcm_s302m", "s302m"}
# Decoders' sample formats; whole numbers carry their bits at the top.
_DECODED = {"s16": "int16", "s32": "int32", "flt": "float32", "dbl": "float64"}


class _Track:
    """One audio stream: how its packets become samples."""

    def __init__(self, stream: Any) -> None:
        self.stream = stream
        context = stream.codec_context
        self.coding: str = context.name
        self.channels: int = context.channels
        self.rate_hz: int = context.sample_rate
        self.plain = _PLAIN.get(self.coding)
        name = context.format.name.removesuffix("p") if context.format else "flt"
        self.bits: int | None
        if self.plain:
            self.bits = self.plain[0]
            kind = self.plain[1].replace("3", "i4")
            self.dtype = np.dtype(kind).newbyteorder("=")
        elif self.coding in _LOSSLESS:
            self.dtype = np.dtype(_DECODED.get(name, "int16"))
            self.bits = _coded_bits(self.coding, context.extradata) or self.dtype.itemsize * 8
        else:
            self.dtype, self.bits = np.dtype(np.float32), None
        self.queue = TrackQueue(self.channels, self.dtype, self.rate_hz)
        self._rest = b""

    @property
    def is_float(self) -> bool:
        return self.dtype.kind == "f" and self.bits is not None

    def samples(self, packet: Any) -> list[tuple[pcm.Native, float | None]]:
        """Return the packet's samples with their time; empty where it cannot be decoded."""
        if self.plain:
            raw = bytes(packet)
            if not raw:
                return []
            time_s = None if packet.pts is None else float(packet.pts * packet.time_base)
            return [(self._plain_samples(raw), time_s)]
        found: list[tuple[pcm.Native, float | None]] = []
        try:
            frames = packet.decode()
        except av.FFmpegError:
            return []
        for frame in frames:
            found.append((self._decoded(frame), frame.time))
        return found

    def _plain_samples(self, raw: bytes) -> pcm.Native:
        assert self.plain is not None
        bits, kind = self.plain
        width = bits // 8
        frames = len(raw) // (width * self.channels)
        count = frames * self.channels
        data = np.frombuffer(raw, np.uint8, count * width)
        native: Any
        if kind.endswith("3"):
            if kind[0] == ">":
                data = data.reshape(-1, 3)[:, ::-1].reshape(-1)
            native = pcm.from_24_bit(np.append(data, np.uint8(0)), count)
        else:
            native = data.view(kind).astype(self.dtype, copy=False)
        return native.reshape(frames, self.channels)

    def _decoded(self, frame: Any) -> pcm.Native:
        array = frame.to_ndarray()
        array = array.T if frame.format.is_planar else array.reshape(-1, self.channels)
        if array.dtype == np.uint8:
            array = (array.astype(np.int16) - 128) << 8
        if array.dtype != self.dtype:
            array = pcm.to_float32(np.ascontiguousarray(array))
        return array if array.shape[1] == self.channels else array[:0].reshape(0, self.channels)


class ContainerReader(FileReader):
    """Reads the sound of one container file; see :func:`open_container`."""

    def __init__(self, path: Path, file: io.FileIO, container: Any, rate: str) -> None:
        """Take over the opened ``container`` and the ``file`` below it."""
        self._file, self._container, self._frames = file, container, 0
        for stream in container.streams:
            if stream.type != "audio":
                stream.discard = Discard.all
        self._tracks = [_Track(stream) for stream in container.streams.audio]
        first = self._tracks[0]
        for track in self._tracks:
            check_shape(path, track.rate_hz, track.channels)
            if track.rate_hz != first.rate_hz:
                raise RecordingError(
                    f"The tracks of {path} have different sample rates ({first.rate_hz} and "
                    f"{track.rate_hz} Hz): export its sound at one rate."
                )
        check_shape(path, first.rate_hz, sum(track.channels for track in self._tracks))
        self._dtype = widest([track.dtype for track in self._tracks])
        depths = [track.bits for track in self._tracks]
        bits = None if None in depths else max(depth for depth in depths if depth)
        self._sum = None if bits is None else pcm.Checksum(bits)
        self._promised = _promised_frames(self._tracks, container)
        self.head = FileHead(
            path=path,
            size_bytes=os.fstat(file.fileno()).st_size,
            container=_container_name(path, container.format.name),
            codec=_codec(first),
            sample_rate_hz=first.rate_hz,
            bit_depth=bits,
            is_float=any(track.is_float for track in self._tracks),
            is_lossy=bits is None,
            tracks=_names(self._tracks),
            promised_frames=self._promised,
            timecode=_timecode(container, rate),
            recorded_at=_recorded_at(container),
            texts=_texts(container),
        )

    def blocks(self, block_frames: int) -> Iterator[NDArray[np.float32]]:
        """Yield the samples of all tracks side by side, as far as they can be read."""
        by_index = {track.stream.index: track for track in self._tracks}
        origin = self._origin_s()
        for track in self._tracks:
            track.queue.next_s = origin
        try:
            for packet in self._container.demux(*[track.stream for track in self._tracks]):
                source = by_index.get(packet.stream_index)
                if source is None:
                    continue
                for samples, time_s in source.samples(packet):
                    source.queue.push(samples, time_s)
                yield from self._ready(block_frames)
        except av.FFmpegError:
            pass  # cut short or damaged from here on: what came before is good
        yield from self._ready(block_frames, last=True)

    def _origin_s(self) -> float:
        starts = [
            float(track.stream.start_time * track.stream.time_base)
            for track in self._tracks
            if track.stream.start_time is not None
        ]
        return min(starts, default=0.0)

    def _ready(self, block_frames: int, last: bool = False) -> Iterator[NDArray[np.float32]]:
        queues = [track.queue for track in self._tracks]
        while True:
            most = max(queue.waiting for queue in queues)
            least = min(queue.waiting for queue in queues)
            if last:
                frames = min(most, block_frames)
            elif least >= block_frames or most > least + _LEAD_S * queues[0].rate_hz:
                frames = block_frames
            else:
                return
            if frames == 0:
                return
            yield self._block(frames)

    def _block(self, frames: int) -> NDArray[np.float32]:
        native: Any = np.empty((frames, len(self.head.tracks)), self._dtype)
        column = 0
        for track in self._tracks:
            part: Any = np.empty((frames, track.channels), track.dtype)
            track.queue.take(part)
            if track.dtype == np.int16 and self._dtype == np.int32:
                part = part.astype(np.int32) << 16
            elif track.dtype != self._dtype:
                part = pcm.to_float32(part)
            native[:, column : column + track.channels] = part
            column += track.channels
        if self._sum is not None:
            self._sum.push(native)
        self._frames += frames
        return pcm.to_float32(native)

    def end(self) -> FileEnd:
        """Return how it ended: gaps, tracks of other lengths, what is missing."""
        rate = self.head.sample_rate_hz
        gaps: list[Gap] = []
        notes: list[str] = []
        column = 1
        for track in self._tracks:
            queue, columns = track.queue, tuple(range(column, column + track.channels))
            for hole in queue.holes:
                gaps.append(Gap(0, columns, hole.start / rate, hole.frames / rate))
            column += track.channels
        truncated, missing = shortfall(self._promised, self._frames, tolerance=rate // 10)
        digest = None if self._sum is None else self._sum.hexdigest()
        return FileEnd(self._frames, digest, truncated, missing, tuple(gaps), tuple(notes))

    def close(self) -> None:
        """Let go of the file."""
        self._container.close()
        self._file.close()


def open_container(path: Path, file: io.FileIO, rate: str) -> ContainerReader:
    """Open a container file.

    Raises:
        RecordingError: when it is no known container, holds no sound, or was never finished.

    """
    file.seek(0)
    start = file.read(1 << 16)
    file.seek(0)
    try:
        container: Any = av.open(file, options=_OPTIONS, metadata_errors="replace")
    except (av.FFmpegError, ValueError, EOFError) as error:
        raise RecordingError(_reason(path, start)) from error
    try:
        if not container.streams.audio:
            raise RecordingError(f"There is no sound in {path}: the recording is picture only.")
        return ContainerReader(path, file, container, rate)
    except BaseException:
        container.close()
        raise


def _reason(path: Path, start: bytes) -> str:
    """Say what a file that cannot be opened seems to be."""
    if start[:3] == b"\xff\xd8\xff" or start[:4] in (b"\x89PNG", b"GIF8", b"II*\0", b"MM\0*"):
        return f"{path} is a picture, not a recording."
    if start[4:8] in (b"ftyp", b"wide", b"mdat", b"free", b"skip", b"pnot"):
        return (
            f"{path} was never finished: the index that says where the sound lies is missing "
            "(the camera lost power while recording). Put the card back into the camera and let "
            "it repair the clip, or record again."
        )
    if start.isascii() and b"\0" not in start:
        return f"{path} is a text file, not a recording."
    return f"{path} is not a recording that can be read: its form is unknown or its start damaged."


def _container_name(path: Path, formats: str) -> str:
    name = formats.split(",")[0]
    if name == "mov":
        return {".mov": "MOV", ".m4a": "M4A", ".m4v": "MP4"}.get(path.suffix.lower(), "MP4")
    return _FORMATS.get(name, name)


def _codec(track: _Track) -> str:
    if track.plain:
        return f"PCM {track.bits} bit{' float' if track.is_float else ''}"
    name = track.coding.upper()
    return name if track.bits is None else f"{name} {track.bits} bit"


def _coded_bits(coding: str, header: bytes | None) -> int | None:
    """Return the bits of a sample from a lossless coding's own header."""
    if coding == "flac" and header and len(header) >= 34:
        # STREAMINFO: the five bits after rate and channels, less one (RFC 9639, section 8.2).
        return (int.from_bytes(header[-34:][10:14], "big") >> 4 & 31) + 1
    if coding == "alac" and header and len(header) >= 24:
        return header[-24:][5]  # ALACSpecificConfig.bitDepth
    return None


def _promised_frames(tracks: list[_Track], container: Any) -> int | None:
    lengths = [
        round(track.stream.duration * track.stream.time_base * track.rate_hz)
        for track in tracks
        if track.stream.duration and track.stream.time_base
    ]
    return max(lengths, default=None)


def _names(tracks: list[_Track]) -> tuple[FileTrack, ...]:
    named = [_name(track.stream.metadata) for track in tracks]
    if len(tracks) > 1 and len(set(named)) == 1:
        named = [None] * len(tracks)  # one name for all says nothing
    found = []
    for number, (track, name) in enumerate(zip(tracks, named, strict=True), start=1):
        found += [FileTrack(number, name)] * track.channels
    return tuple(found)


def _name(metadata: dict[str, str]) -> str | None:
    lower = {key.lower(): value.strip() for key, value in metadata.items()}
    for key in ("title", "name", "track_name", "handler_name"):
        value = lower.get(key, "")
        if value and not any(word in value.lower() for word in _GENERIC_NAMES):
            return value
    return None


def _timecode(container: Any, rate: str) -> Timecode | None:
    """Return the start timecode, with the rate of the stream that carries it or the picture's."""
    places = [stream for stream in container.streams if stream.type in ("data", "video")]
    video_rates = [s.average_rate for s in container.streams.video if s.average_rate]
    found = [(s.metadata, getattr(s, "average_rate", None)) for s in places]
    for metadata, own_rate in [*found, (container.metadata, None)]:
        text = {key.lower(): value for key, value in metadata.items()}.get("timecode")
        if not text:
            continue
        exact = own_rate or (video_rates[0] if video_rates else Fraction(rate))
        try:
            return timecode.Counter.parse(text, str(exact)).timecode()
        except (ValueError, ZeroDivisionError):
            continue
    return None


def _recorded_at(container: Any) -> str | None:
    places = [container.metadata, *[stream.metadata for stream in container.streams]]
    for key in ("com.apple.quicktime.creationdate", "creation_time", "date", "modification_date"):
        for metadata in places:
            lower = {name.lower(): value for name, value in metadata.items()}
            found = iso_time(lower.get(key, ""))
            if found:
                return found
    return None


def _texts(container: Any) -> dict[str, str]:
    wanted = {"make", "model", "title", "comment", "description", "location", "product_name"}
    lower = {key.lower().rsplit(".", 1)[-1]: value for key, value in container.metadata.items()}
    return {key: value for key, value in lower.items() if key in wanted and value.strip()}
