"""WAV files with plain samples, read as bytes: RIFF, RF64, BW64; 8 to 32 bit and float.

The bytes of such a file are what the checksum is taken over, so nothing is packed a second time;
24-bit samples become float32 at about 2 ns each.
"""

import io
import os
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import msgspec
import numpy as np
from numpy.typing import NDArray

from dualmic import timecode
from dualmic.errors import RecordingError
from dualmic.readers import pcm, riff
from dualmic.readers.filereader import (
    FileEnd,
    FileHead,
    FileReader,
    FileTrack,
    check_shape,
    shortfall,
)
from dualmic.record import Timecode

_WHOLE_BITS, _FLOAT_BITS = (8, 16, 24, 32), (32, 64)


class WavReader(FileReader):
    """Reads one WAV file with linear samples; see :func:`open_wav`."""

    def __init__(self, path: Path, file: io.FileIO, layout: riff.WaveLayout, rate: str) -> None:
        """``rate``: frames a second when the file gives a time of day but no frame rate."""
        self._file, self._layout, self._frames = file, layout, 0
        form = layout.format
        self._align = form.channels * form.container_bits // 8
        self._sum = pcm.Checksum(form.container_bits)
        is_float = form.tag == riff.IEEE_FLOAT
        promised = layout.promised_bytes
        names = layout.interchange.track_names if layout.interchange else {}
        self.head = FileHead(
            path=path,
            size_bytes=os.fstat(file.fileno()).st_size,
            container={"RIFF": "WAV"}.get(layout.kind, layout.kind),
            codec=f"PCM {form.valid_bits} bit{' float' if is_float else ''}",
            sample_rate_hz=form.sample_rate_hz,
            bit_depth=form.valid_bits,
            is_float=is_float,
            is_lossy=False,
            tracks=tuple(FileTrack(1, names.get(i + 1)) for i in range(form.channels)),
            promised_frames=None if promised is None else promised // self._align,
            timecode=_timecode(layout, rate),
            recorded_at=layout.broadcast.recorded_at if layout.broadcast else None,
            texts=_texts(layout),
        )

    def blocks(self, block_frames: int) -> Iterator[NDArray[np.float32]]:
        """Yield the samples; a last frame that is not whole is left out."""
        want = self._layout.data_bytes // self._align
        # One byte more than a block: see pcm.from_24_bit.
        buffer = bytearray(block_frames * self._align + 1)
        view = memoryview(buffer)
        self._file.seek(self._layout.data_start)
        while self._frames < want:
            size = min(block_frames, want - self._frames) * self._align
            filled = 0
            while filled < size:
                try:
                    got = self._file.readinto(view[filled:size])
                except OSError:  # a bad sector: what lies before it is still good
                    got = 0
                if not got:
                    want = self._frames + filled // self._align
                    break
                filled += got
            frames = filled // self._align
            if frames:
                self._frames += frames
                yield self._decode(buffer, frames)

    def _decode(self, buffer: bytearray, frames: int) -> NDArray[np.float32]:
        form = self._layout.format
        samples = frames * form.channels
        raw = memoryview(buffer)[: frames * self._align]
        native: pcm.Native
        if form.container_bits == 8:
            native = (np.frombuffer(raw, np.uint8).astype(np.int16) - 128) << 8
            self._sum.push(native)  # 8-bit WAV is unsigned, the checksum's form is not
        else:
            self._sum.push_bytes(raw)
            if form.tag == riff.IEEE_FLOAT:
                native = np.frombuffer(raw, f"<f{form.container_bits // 8}")
            elif form.container_bits == 24:
                native = pcm.from_24_bit(np.frombuffer(buffer, np.uint8), samples)
            else:
                native = np.frombuffer(raw, f"<i{form.container_bits // 8}")
        out = pcm.to_float32(native)
        if np.may_share_memory(out, native):
            out = out.copy()  # the buffer is used again
        return out.reshape(frames, form.channels)

    def end(self) -> FileEnd:
        """Return how it ended: cut short when the header promised more or was never finished."""
        promised = self.head.promised_frames
        truncated, missing = shortfall(promised, self._frames)
        notes = []
        if promised is None:
            notes.append("The file's length was never written: it was not closed properly.")
        form = self._layout.format
        if form.contradicts:
            notes.append(
                f"The file's header contradicts itself: it was read as {form.channels} channels "
                f"of {form.container_bits} bit at {form.sample_rate_hz} Hz. Listen whether speed "
                "and pitch are right."
            )
        return FileEnd(
            self._frames,
            self._sum.hexdigest(),
            truncated or promised is None,
            missing,
            (),
            tuple(notes),
        )

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()


def open_wav(path: Path, file: io.FileIO, rate: str) -> WavReader | None:
    """Return a reader, or ``None`` when the samples are coded and need a decoder.

    Raises:
        RecordingError: when the header holds no format or no samples, or cannot be true.

    """
    layout = riff.read_layout(file)
    if layout is None:
        raise RecordingError(
            f"{path} starts as a WAV file but holds no sound: copy it from the card again."
        )
    form = layout.format
    bits = {riff.PCM: _WHOLE_BITS, riff.IEEE_FLOAT: _FLOAT_BITS}.get(form.tag, ())
    if form.container_bits not in bits:
        return None
    check_shape(path, form.sample_rate_hz, form.channels)
    return WavReader(path, file, layout, rate)


def _timecode(layout: riff.WaveLayout, rate: str) -> Timecode | None:
    """Return ``bext`` TimeReference as timecode; the rate is iXML's where there is one."""
    if layout.broadcast is None or layout.broadcast.samples_since_midnight == 0:
        return None  # zero is what a recorder without a clock writes
    ixml = layout.interchange
    seconds = Fraction(layout.broadcast.samples_since_midnight, layout.format.sample_rate_hz)
    given = True
    try:
        exact = timecode.parse_rate((ixml and ixml.rate) or "none")
    except (ValueError, ZeroDivisionError):
        exact, given = timecode.parse_rate(rate), False
    drop_frame = bool(ixml and ixml.drop_frame and exact.denominator != 1)
    counted = timecode.Counter.since_midnight(seconds, exact, drop_frame).timecode()
    return msgspec.structs.replace(counted, rate_is_given=given)


def _texts(layout: riff.WaveLayout) -> dict[str, str]:
    texts = dict(layout.interchange.texts) if layout.interchange else {}
    if layout.broadcast:
        found = {
            "description": layout.broadcast.description,
            "recorder": layout.broadcast.originator,
        }
        texts |= {key: value for key, value in found.items() if value}
    return texts
