"""Any recording as blocks of samples, with what its files say of themselves.

:func:`open_recording` opens one file, several files that play side by side (a microphone each), or
the parts that a camera split one take into (``joined``). Blocks are float32 ``(frames, channels)``
re full scale 1.0. Reading, hashing and unpacking run ahead in a thread while the caller computes.

    with open_recording([Path("take.wav")]) as recording:
        for block in recording.blocks():
            meter.push(block)
        ending = recording.ending()
"""

from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType

import numpy as np
from numpy.typing import NDArray

from dualmic.errors import RecordingError, UsageError
from dualmic.joining import join_notes
from dualmic.readers.filereader import FileEnd, FileReader, Gap, path_text, plain_text
from dualmic.readers.openfile import DEFAULT_TIMECODE_RATE, open_file
from dualmic.record import SourceFile, Timecode

BLOCK_FRAMES = 1 << 16
_AHEAD = 3  # blocks read before they are asked for (our choice: 3 MB of two channels)


@dataclass(frozen=True)
class ChannelInfo:
    """One channel of the take: its file (from 0), track in that file (from 1), and name."""

    file: int
    track: int
    name: str | None = None


@dataclass(frozen=True)
class RecordingInfo:
    """What the files of a take say of themselves before a sample is read.

    ``promised_frames`` is ``None`` where a header does not say. ``texts`` are the recorder's own
    free fields (scene, note, camera model): to be shown, never trusted.
    """

    name: str
    paths: tuple[Path, ...]
    sample_rate_hz: int
    bit_depth: int | None
    is_float: bool
    is_lossy: bool
    container: str
    codec: str
    channels: tuple[ChannelInfo, ...]
    promised_frames: int | None
    timecode: Timecode | None
    recorded_at: str | None
    texts: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Ending:
    """How a recording ended.

    Attributes:
        frames: frames read.
        files: one a file, with its place in the take and its checksum.
        truncated: a file is shorter than its header says, or its header was never finished.
        missing_s: how much is missing, ``None`` when that is not known.
        gaps: stretches without samples, filled with silence; their channels are the take's.
        notes: sentences about the files that a reader of the report should see.

    """

    frames: int
    duration_s: float
    files: tuple[SourceFile, ...]
    truncated: bool
    missing_s: float | None
    gaps: tuple[Gap, ...]
    notes: tuple[str, ...]


class Recording:
    """An opened take; a context manager. Its blocks can be read once."""

    def __init__(self, readers: Sequence[FileReader], joined: bool) -> None:
        """Take over ``readers``; see :func:`open_recording`."""
        self._readers = list(readers)
        self._joined = joined
        self._ended = False
        self.info = _info(self._readers, joined)

    def __enter__(self) -> "Recording":
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of all files."""
        for reader in self._readers:
            reader.close()

    def blocks(self, block_frames: int = BLOCK_FRAMES) -> Iterator[NDArray[np.float32]]:
        """Yield blocks ``(frames, channels)``, C-contiguous, of 1 to ``block_frames`` frames."""
        source = self._joined_blocks if self._joined else self._side_by_side
        yield from _ahead(source(block_frames))
        self._ended = True

    def _joined_blocks(self, block_frames: int) -> Iterator[NDArray[np.float32]]:
        for reader in self._readers:
            yield from reader.blocks(block_frames)

    def _side_by_side(self, block_frames: int) -> Iterator[NDArray[np.float32]]:
        if len(self._readers) == 1:
            yield from self._readers[0].blocks(block_frames)
            return
        iterators = [reader.blocks(block_frames) for reader in self._readers]
        while True:
            parts = [next(iterator, None) for iterator in iterators]
            frames = max((len(part) for part in parts if part is not None), default=0)
            if frames == 0:
                return
            block = np.zeros((frames, len(self.info.channels)), np.float32)
            column = 0
            for reader, part in zip(self._readers, parts, strict=True):
                width = len(reader.head.tracks)
                if part is not None:
                    block[: len(part), column : column + width] = part
                column += width
            yield block

    def ending(self) -> Ending:
        """Return how it ended; only after the last block.

        Raises:
            RecordingError: when there was not one sample.

        """
        assert self._ended, "ending() was asked before the last block"
        return _ending(self._readers, [reader.end() for reader in self._readers], self._joined)


def open_recording(
    paths: Sequence[Path],
    *,
    joined: bool = False,
    timecode_rate: str = DEFAULT_TIMECODE_RATE,
) -> Recording:
    """Open a take for reading.

    Args:
        paths: one file; several that play side by side, their channels one after another; or,
            with ``joined``, the parts of one take in order.
        joined: the files follow each other.
        timecode_rate: frames a second for files that give a time of day but no frame rate.

    Raises:
        RecordingError: a file cannot be opened or read as sound, or the files do not fit together.

    """
    readers: list[FileReader] = []
    try:
        for path in paths:
            readers.append(open_file(Path(path), timecode_rate))
        if not readers:
            raise UsageError("No recording was given.")
        _check_fit(readers, joined)
        return Recording(readers, joined)
    except BaseException:
        for reader in readers:
            reader.close()
        raise


def _check_fit(readers: Sequence[FileReader], joined: bool) -> None:
    first = readers[0].head
    for other in (reader.head for reader in readers[1:]):
        if other.sample_rate_hz != first.sample_rate_hz:
            raise RecordingError(
                f"{first.path} has a sample rate of {first.sample_rate_hz} Hz and {other.path} of "
                f"{other.sample_rate_hz} Hz: files of one take must have one rate."
            )
        if joined and len(other.tracks) != len(first.tracks):
            raise RecordingError(
                f"{first.path} has {len(first.tracks)} channels and {other.path} has "
                f"{len(other.tracks)}: parts of one take must have the same channels."
            )


def _info(readers: Sequence[FileReader], joined: bool) -> RecordingInfo:
    heads = [reader.head for reader in readers]
    first = heads[0]
    sources = list(enumerate(heads[:1] if joined else heads))
    promises = [head.promised_frames for head in heads]
    known = [promise for promise in promises if promise is not None]
    return RecordingInfo(
        name=_name([head.path for head in heads], joined),
        paths=tuple(head.path for head in heads),
        sample_rate_hz=first.sample_rate_hz,
        bit_depth=first.bit_depth,
        is_float=any(head.is_float for head in heads),
        is_lossy=any(head.is_lossy for head in heads),
        container=first.container,
        codec=first.codec,
        channels=tuple(
            ChannelInfo(number, track.track, plain_text(track.name or "") or None)
            for number, head in sources
            for track in head.tracks
        ),
        promised_frames=None
        if len(known) < len(promises)
        else (sum(known) if joined else max(known)),
        timecode=first.timecode,
        recorded_at=first.recorded_at,
        texts={
            key: plain
            for head in reversed(heads)
            for key, value in head.texts.items()
            if (plain := plain_text(value))
        },
    )


def _name(paths: Sequence[Path], joined: bool) -> str:
    """Return the take's name: the file's without suffix, or what several files' names share."""
    names = [plain_text(path_text(path.stem)) or "recording" for path in paths]
    if joined or len(paths) == 1:
        return names[0]
    first, last = min(names), max(names)
    same = [a == b for a, b in zip(first, last, strict=False)]
    common = first[: [*same, False].index(False)].rstrip(" -_.,+(")
    return common if len(common) >= 3 else names[0]


def _ending(readers: Sequence[FileReader], ends: Sequence[FileEnd], joined: bool) -> Ending:
    rate = readers[0].head.sample_rate_hz
    frames = (sum if joined else max)(end.frames for end in ends)
    if frames == 0:
        raise RecordingError(f"{readers[0].head.path} holds no sound: not one sample is in it.")
    files, gaps, notes, start_s, before = [], [], [], 0.0, 0
    for number, (reader, end) in enumerate(zip(readers, ends, strict=True)):
        path, duration_s = reader.head.path, end.frames / rate
        size = reader.head.size_bytes
        files.append(SourceFile(path_text(path), size, start_s, duration_s, end.audio_md5))
        for gap in end.gaps:
            channels = tuple(before + channel for channel in gap.channels)
            gaps.append(Gap(number, channels, start_s + gap.start_s, gap.duration_s))
        notes += [f"{path.name}: {note}" for note in end.notes]
        if joined:
            start_s += duration_s
            continue
        before += len(reader.head.tracks)
        if end.frames < frames:
            notes.append(
                f"{path.name} is {(frames - end.frames) / rate:.2f} s shorter than the other file: "
                "silence was added at its end."
            )
    if joined:
        notes += join_notes([reader.head for reader in readers])
    cut = [end for end in ends if end.truncated]
    known = bool(cut) and all(end.missing_frames for end in cut)
    return Ending(
        frames=frames,
        duration_s=frames / rate,
        files=tuple(files),
        truncated=bool(cut),
        missing_s=sum(end.missing_frames for end in cut) / rate if known else None,
        gaps=tuple(gaps),
        notes=tuple(notes),
    )


def _ahead(blocks: Iterator[NDArray[np.float32]]) -> Iterator[NDArray[np.float32]]:
    """Yield from ``blocks``, which run in one thread, a few ahead of the caller."""
    with ThreadPoolExecutor(1, thread_name_prefix="reader") as pool:
        waiting: deque[Future[NDArray[np.float32] | None]] = deque()
        try:
            for _ in range(_AHEAD):
                waiting.append(pool.submit(next, blocks, None))
            while (block := waiting.popleft().result()) is not None:
                waiting.append(pool.submit(next, blocks, None))
                yield block
        finally:
            for future in waiting:
                future.cancel()
