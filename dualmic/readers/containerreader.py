"""Reads the sound of a container file: all audio tracks flattened into one list of channels.

Every stream that is not sound is discarded in the demuxer, which then skips its bytes where the
format lets it; where the index tells where the sound lies, only that is read.
"""

import io
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import av
import numpy as np
from av.stream import Discard
from numpy.typing import NDArray

from dualmic.errors import RecordingError
from dualmic.readers import avtexts, pcm, quicktime
from dualmic.readers.avtracks import AudioTrack
from dualmic.readers.filereader import (
    FileEnd,
    FileHead,
    FileReader,
    FileTrack,
    Gap,
    check_shape,
    shortfall,
)
from dualmic.readers.outerbox import Box
from dualmic.readers.tracks import widest

_LEAD_S = 20.0  # our choice: a track this far behind the others has ended or has a gap
# Our choice: ends of tracks this close are rounding of a length, or of coded sound's packets.
_PLAIN_END_S, _CODED_END_S = 0.005, 0.05
_CUT_S = 2.0  # our choice: tracks of a cut file that end this close were broken off together


class ContainerReader(FileReader):
    """Reads the sound of one container file; see :func:`containers.open_container`."""

    def __init__(
        self, path: Path, file: io.FileIO, container: Any, kind: str, rate: str, box: Box
    ) -> None:
        """Take over the opened ``container``, of this ``kind``, and the ``file`` below it."""
        self._file, self._container, self._box = file, container, box
        self._frames, self._broken = 0, False
        self._notes: list[str] = []
        for stream in container.streams:
            if stream.type != "audio":
                stream.discard = Discard.all
        tracks = self._tracks = self._readable(path)
        first = tracks[0]
        for track in tracks:
            check_shape(path, track.rate_hz, track.channels)
            if track.rate_hz != first.rate_hz:
                raise RecordingError(
                    f"The tracks of {path} have different sample rates ({first.rate_hz} and "
                    f"{track.rate_hz} Hz): export its sound at one rate."
                )
        check_shape(path, first.rate_hz, sum(track.channels for track in tracks))
        self._dtype = widest([track.dtype for track in tracks])
        depths = [track.bits for track in tracks if track.bits]
        bits = max(depths) if len(depths) == len(tracks) else None
        self._sum = None if bits is None else pcm.Checksum(bits)
        starts = [track.start_s for track in tracks if track.start_s is not None]
        self._start_s = min(starts, default=0.0)
        self._is_mov = container.format.name.startswith("mov")
        self._is_avi = container.format.name == "avi"
        track_rate = quicktime.timecode_rate(file) if self._is_mov else None
        metadata = [container.metadata, *[stream.metadata for stream in container.streams]]
        self.head = FileHead(
            path=path,
            size_bytes=os.fstat(file.fileno()).st_size,
            container=kind,
            codec=first.codec,
            sample_rate_hz=first.rate_hz,
            bit_depth=bits,
            is_float=any(track.is_float for track in tracks),
            is_lossy=bits is None,
            tracks=_named(tracks),
            promised_frames=max((self._promised(t) for t in tracks), default=0) or None,
            timecode=avtexts.start_timecode(
                container,
                rate,
                track_rate,
                self._start_s - _picture_start_s(container, self._start_s),
            ),
            recorded_at=avtexts.recorded_at(metadata),
            texts=avtexts.free_texts(container.metadata),
        )

    def _readable(self, path: Path) -> list[AudioTrack]:
        """Return the tracks whose coding is known; phones add tracks of their maker's own."""
        tracks = []
        for number, stream in enumerate(self._container.streams.audio, start=1):
            context = stream.codec_context
            if context is not None and context.channels and context.sample_rate:
                tracks.append(AudioTrack(stream, number))
                continue
            stream.discard = Discard.all
            self._notes.append(f"Track {number} is coded in a way that cannot be read: left out.")
        if not tracks:
            raise RecordingError(f"The sound of {path} is coded in a way that cannot be read.")
        return tracks

    def blocks(self, block_frames: int) -> Iterator[NDArray[np.float32]]:
        """Yield the samples of all tracks side by side, as far as they can be read."""
        for track in self._tracks:
            track.queue.next_s = self._start_s
        if self._is_mov and all(track.is_indexed for track in self._tracks):
            yield from self._read_indexed(block_frames)
        else:
            yield from self._demux(block_frames)
        limit = self._common_end()
        while self._frames < limit:
            yield self._block(min(block_frames, limit - self._frames))

    def _read_indexed(self, block_frames: int) -> Iterator[NDArray[np.float32]]:
        rate, margin = self.head.sample_rate_hz, 0
        reading = [(track, track.read_indexed(self._file)) for track in self._tracks]
        while reading:
            for pair in list(reading):
                track, runs = pair
                while track.queue.waiting < block_frames + margin:
                    if next(runs, runs) is runs:
                        reading.remove(pair)
                        # Held back, for the others may end as soon: see _common_end.
                        margin = round(_CUT_S * rate) if track.is_cut else margin
                        break
            while reading and min(t.queue.waiting for t, _ in reading) >= block_frames + margin:
                yield self._block(block_frames)

    def _demux(self, block_frames: int) -> Iterator[NDArray[np.float32]]:
        by_index = {track.stream.index: track for track in self._tracks}
        queues = [track.queue for track in self._tracks]
        lead = round(_LEAD_S * self.head.sample_rate_hz)
        try:
            for packet in self._container.demux(*[track.stream for track in self._tracks]):
                track = by_index.get(packet.stream_index)
                if track is None or not track.push_packet(packet):
                    continue
                for other in self._tracks:
                    other.flush()
                waiting = [queue.waiting for queue in queues]
                while min(waiting) >= block_frames or max(waiting) - min(waiting) > lead:
                    yield self._block(block_frames)
                    waiting = [queue.waiting for queue in queues]
        except (av.FFmpegError, OSError):
            self._broken = True  # damaged from here on: what came before is good
        for track in self._tracks:
            track.flush()

    def _promised(self, track: AudioTrack) -> int:
        """Return the frames a track is said to have, 0 if it is not said.

        A whole AVI file counts its plain samples; the time it tells may be half a percent more.
        """
        counts = self._is_avi and self._box == "whole" and track.frame_bytes
        return (counts and track.stream.frames) or track.promised_frames or 0

    def _common_end(self) -> int:
        """Return where the sound ends; tracks that a cut file broke off end together."""
        rate, slack = self.head.sample_rate_hz, self._slack()
        all_cut = self._broken or self._box != "whole"
        ends = [track.queue.end for track in self._tracks]
        cut = [
            end
            for end, track in zip(ends, self._tracks, strict=True)
            if all_cut or track.is_cut or end < self._promised(track) - slack
        ]
        if cut and max(ends) - min(cut) <= _CUT_S * rate:
            return max(min(cut), self._frames)
        for track, end in zip(self._tracks, ends, strict=True):
            if max(ends) - end > slack:
                self._notes.append(
                    f"Track {track.number} ends {(max(ends) - end) / rate:.2f} s before the "
                    "longest track: silence was added at its end."
                )
        return max(*ends, self._frames)

    def _slack(self) -> int:
        is_plain = all(track.frame_bytes for track in self._tracks)
        return round((_PLAIN_END_S if is_plain else _CODED_END_S) * self.head.sample_rate_hz)

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
        notes, column = list(self._notes), 1
        for track in self._tracks:
            columns = tuple(range(column, column + track.channels))
            inside = [hole for hole in track.queue.holes if hole.start]
            gaps += [Gap(0, columns, hole.start / rate, hole.frames / rate) for hole in inside]
            notes += [
                f"Track {track.number} starts {hole.frames / rate:.2f} s after the first "
                "track: silence was added at its start."
                for hole in track.queue.holes
                if not hole.start
            ]
            if inside:
                count = "a gap" if len(inside) == 1 else f"{len(inside)} gaps"
                lost_s = sum(hole.frames for hole in inside) / rate
                notes.append(
                    f"Track {track.number} has {count} in its timestamps, {lost_s:.2f} s in all, "
                    f"from {inside[0].start / rate:.2f} s on: filled with silence."
                )
            if track.queue.bad_timestamps:
                notes.append(
                    f"Track {track.number} has {track.queue.bad_timestamps} timestamps that "
                    "cannot be: its sound was taken as it follows in the file."
                )
            column += track.channels
        is_cut = any(track.is_cut for track in self._tracks)
        slack = 0 if is_cut else self._slack()
        truncated, missing = shortfall(self.head.promised_frames, self._frames, slack)
        if self._box == "never closed":
            missing = 0  # a length is then a guess of FFmpeg's
            notes.append("The file's length was never written: it was not closed properly.")
        if self._broken:
            notes.append("The file is damaged: it was read to the damage.")
        digest = None if self._sum is None else self._sum.hexdigest()
        truncated = truncated or is_cut or self._broken or self._box != "whole"
        return FileEnd(self._frames, digest, truncated, missing, tuple(gaps), tuple(notes))

    def close(self) -> None:
        """Let go of the file."""
        self._container.close()
        self._file.close()


def _picture_start_s(container: Any, default_s: float) -> float:
    starts = [
        s.start_time * s.time_base for s in container.streams.video if s.start_time is not None
    ]
    return float(min(starts, default=default_s))


def _named(tracks: list[AudioTrack]) -> tuple[FileTrack, ...]:
    names = [avtexts.track_name(track.stream.metadata) for track in tracks]
    if len(tracks) > 1 and len(set(names)) == 1:
        names = [None] * len(tracks)  # one name for all says nothing
    return tuple(
        FileTrack(track.number, name)
        for track, name in zip(tracks, names, strict=True)
        for _ in range(track.channels)
    )
