"""One audio track of a container file: its bytes become samples.

Plain samples are taken as they lie in the file. Where the container's index says where every one
of them is (MOV and MP4 with their index), the file is read there and nowhere else; in other
containers the demuxer hands over packets. Coded sound goes through its decoder.
"""

import io
import os
from collections import deque
from collections.abc import Iterator
from typing import Any

import av
import numpy as np

from dualmic.readers import pcm
from dualmic.readers.tracks import GAP_S, TrackQueue

_RUN_BYTES = 1 << 18  # our choice: large enough that a call costs nothing beside its bytes
_AHEAD_BYTES = 1 << 18  # told to the system ahead of reading, a track
_MAX_ENTRY_BYTES = 1 << 24  # our choice: an index entry of more than 16 MB of sound is damage

# Plain codings: bits, how they lie in the file (numpy's letters; "3" is three bytes).
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
_LOSSLESS = ("flac", "alac", "s302m", "truehd", "wavpack", "tta")
_LOSSY_PCM = ("pcm_alaw", "pcm_mulaw", "pcm_vidc")
# Decoders' sample formats: bits, and the type they become; whole numbers have theirs at the top.
_DECODED: dict[str, tuple[int, np.dtype]] = {
    "u8": (8, np.dtype(np.int16)),
    "s16": (16, np.dtype(np.int16)),
    "s32": (32, np.dtype(np.int32)),
    "flt": (32, np.dtype(np.float32)),
    "dbl": (64, np.dtype(np.float64)),
}


class AudioTrack:
    """One audio stream and the queue that its samples go into.

    Attributes:
        number: of the audio track in the file, from 1.
        bits: of a sample, ``None`` for lossy sound.
        dtype: of the samples, see :mod:`dualmic.readers.pcm`.
        tick_s: seconds a unit of the stream's timestamps.
        promised_frames: the length the container states, or ``None``.
        is_cut: the index tells of samples that are not in the file.

    """

    def __init__(self, stream: Any, number: int) -> None:
        """Look at an audio ``stream`` of PyAV that has a decoder."""
        context = stream.codec_context
        self.number = number
        self.stream, self.coding = stream, str(context.name)
        self.channels, self.rate_hz = int(context.channels), int(context.sample_rate)
        self.tick_s = float(stream.time_base or 0)
        self._plain = _PLAIN.get(self.coding)
        self.bits: int | None
        self.dtype: np.dtype
        if self._plain:
            self.bits = self._plain[0]
            self.dtype = np.dtype(self._plain[1].replace("3", "i4")).newbyteorder("=")
        elif self.coding in _LOSSLESS or (
            self.coding.startswith("pcm_") and self.coding not in _LOSSY_PCM
        ):
            name = context.format.name.removesuffix("p") if context.format else "s16"
            self.bits, self.dtype = _DECODED.get(name, _DECODED["s16"])
            self.bits = _coded_bits(self.coding, context.extradata) or self.bits
        else:
            self.bits, self.dtype = None, np.dtype(np.float32)
        self.queue = TrackQueue(self.channels, self.dtype, self.rate_hz)
        self.is_cut = False
        self._pending = bytearray()
        self._pending_s: float | None = None
        self._next_s: float | None = None

    @property
    def codec(self) -> str:
        """The coding in plain words."""
        if self._plain:
            return f"PCM {self.bits} bit{' float' if self.is_float else ''}"
        name = self.coding.split("_")[0].upper()
        return name if self.bits is None else f"{name} {self.bits} bit"

    @property
    def is_float(self) -> bool:
        """Samples are stored as float numbers."""
        return self.bits is not None and self.dtype.kind == "f"

    @property
    def frame_bytes(self) -> int:
        """Bytes of one sample of all channels, 0 for coded sound."""
        return self._plain[0] // 8 * self.channels if self._plain else 0

    @property
    def start_s(self) -> float | None:
        """Where the container says the track starts."""
        start = self.stream.start_time
        return None if start is None else start * self.tick_s

    @property
    def promised_frames(self) -> int | None:
        """Frames that the container says the track has."""
        duration = self.stream.duration
        return round(duration * self.tick_s * self.rate_hz) if duration else None

    def push_packet(self, packet: Any) -> bool:
        """Add a packet; say whether samples went into the queue (plain ones are gathered)."""
        if self._plain:
            time_s = None if packet.pts is None else packet.pts * self.tick_s
            return self._gather(packet, time_s)
        try:
            frames = packet.decode()
        except av.FFmpegError:
            return False  # a damaged packet: its time shows as a gap
        for frame in frames:
            self.queue.push(self._decoded(frame), frame.time)
        return bool(frames)

    def _gather(self, packet: Any, time_s: float | None) -> bool:
        due_s = self._next_s
        jump = time_s is not None and due_s is not None and abs(time_s - due_s) > GAP_S
        flush = jump or len(self._pending) >= _RUN_BYTES
        if flush:
            self.flush()
        if not self._pending:
            self._pending_s = time_s
        self._pending += memoryview(packet)
        if time_s is not None:
            self._next_s = time_s + packet.size / (self.frame_bytes * self.rate_hz)
        return flush

    def flush(self) -> None:
        """Move gathered packets into the queue."""
        if self._pending:
            pending, self._pending = self._pending, bytearray()
            self.queue.push(self._from_bytes(pending), self._pending_s)

    def _from_bytes(self, raw: bytearray) -> pcm.Native:
        assert self._plain is not None
        width, kind = self._plain[0] // 8, self._plain[1]
        count = len(raw) // self.frame_bytes * self.channels
        raw.append(0)  # see pcm.from_24_bit
        data = np.frombuffer(raw, np.uint8)
        native: Any
        if width == 3:
            if kind[0] == ">":
                data = np.append(data[: 3 * count].reshape(-1, 3)[:, ::-1].reshape(-1), data[-1:])
            native = pcm.from_24_bit(data, count)
        else:
            native = data[: count * width].view(kind).astype(self.dtype, copy=False)
        return native.reshape(-1, self.channels)

    def _decoded(self, frame: Any) -> pcm.Native:
        array = frame.to_ndarray()
        array = array.T if frame.format.is_planar else array.reshape(frame.samples, -1)
        if array.shape[1] != self.channels:  # the layout changed on the way
            kept = np.zeros((len(array), self.channels), array.dtype)
            kept[:, : array.shape[1]] = array[:, : self.channels]
            array = kept
        if array.dtype == np.uint8:
            array = (array.astype(np.int16) - 128) << 8
        return array if array.dtype == self.dtype else pcm.to_float32(array)

    @property
    def is_indexed(self) -> bool:
        """The container's index says where every plain sample lies in the file."""
        entries = self.stream.index_entries
        if not self._plain or not len(entries) or not self.stream.duration:
            return False
        last = entries[len(entries) - 1]
        end_s = last.timestamp * self.tick_s + last.size / (self.frame_bytes * self.rate_hz)
        # A fragmented file's index grows while it is read: then it ends too early here.
        return end_s >= self.stream.duration * self.tick_s - GAP_S

    def read_indexed(self, file: io.FileIO) -> Iterator[None]:
        """Read the track where its index says, a run at a time into the queue."""
        descriptor, ahead, ahead_bytes = file.fileno(), deque[tuple[int, int, float]](), 0
        for run in self._runs():
            _advise(descriptor, run[0], run[1])
            ahead.append(run)
            ahead_bytes += run[1]
            while ahead_bytes > _AHEAD_BYTES:
                ahead_bytes -= ahead[0][1]
                self._read_run(descriptor, *ahead.popleft())
                yield
        for run in ahead:
            self._read_run(descriptor, *run)
            yield

    def _read_run(self, descriptor: int, position: int, size: int, time_s: float) -> None:
        raw = bytearray()
        while len(raw) < size:
            try:
                got = os.pread(descriptor, size - len(raw), position + len(raw))
            except OSError:  # a bad sector, or a position that cannot be
                break
            if not got:
                break
            raw += got
        self.is_cut = self.is_cut or len(raw) < size
        # What an edit list cuts off before the start has a time below zero.
        early = min(round(-time_s * self.rate_hz), len(raw) // self.frame_bytes)
        if early > 0:
            del raw[: early * self.frame_bytes]
            time_s = 0.0
        if len(raw) >= self.frame_bytes:
            self.queue.push(self._from_bytes(raw), time_s)

    def _runs(self) -> Iterator[tuple[int, int, float]]:
        """Yield position, bytes and time of stretches that follow each other in file and time."""
        start = size = 0
        time_s = next_s = 0.0
        second = self.frame_bytes * self.rate_hz
        for entry in self.stream.index_entries:
            if entry.is_discard or not 0 < entry.size <= _MAX_ENTRY_BYTES or entry.pos < 0:
                continue
            entry_s = entry.timestamp * self.tick_s
            follows = entry.pos == start + size and abs(entry_s - next_s) <= GAP_S
            if size and (not follows or size + entry.size > _RUN_BYTES):
                yield start, size, time_s
                size = 0
            if not size:
                start, time_s = entry.pos, entry_s
            size += entry.size
            next_s = entry_s + entry.size / second
        if size:
            yield start, size, time_s


def _advise(descriptor: int, position: int, size: int) -> None:
    """Tell the system what will be read, so that it fetches that and not what lies between."""
    if hasattr(os, "posix_fadvise"):
        os.posix_fadvise(descriptor, position, size, os.POSIX_FADV_WILLNEED)


def _coded_bits(coding: str, header: bytes | None) -> int | None:
    """Return the bits of a sample from a lossless coding's own header."""
    if coding == "flac" and header and len(header) >= 34:
        # STREAMINFO: five bits after rate and channels, less one (RFC 9639, section 8.2).
        return (int.from_bytes(header[-34:][10:14], "big") >> 4 & 31) + 1
    if coding == "alac" and header and len(header) >= 24:
        return header[-24:][5] or None  # ALACSpecificConfig.bitDepth
    return None
