"""Tracks of one file brought side by side: samples come packet by packet, blocks go out.

Packets of the tracks arrive in any order, of any size, with timestamps that may leave gaps. Each
track is a queue of pieces (samples, or a length of silence); a block is what all tracks have.
"""

from collections import deque
from dataclasses import dataclass, field

import numpy as np

from dualmic.readers.pcm import Native

# Timestamps are rounded to a millisecond in Matroska, and packets of coded sound last 20 ms or
# more: a shorter hole than this is rounding, not lost sound (our choice).
GAP_S = 0.010
# Our choice: a longer gap, or more gaps, are damaged timestamps and not lost sound.
MAX_GAP_S, MAX_GAPS_S = 600.0, 1800.0


@dataclass
class Hole:
    """A gap of one track that was filled with silence, in samples of the track."""

    start: int
    frames: int


@dataclass(eq=False)
class TrackQueue:
    """Samples of one track, ``channels`` of ``dtype``, in order.

    ``next_s`` is the time at which the next samples are due, ``lent`` the silence given out for
    samples that had not come.
    """

    channels: int
    dtype: np.dtype
    rate_hz: int
    pieces: deque[Native | int] = field(default_factory=deque)
    waiting: int = 0
    taken: int = 0
    next_s: float | None = None
    holes: list[Hole] = field(default_factory=list)
    bad_timestamps: int = 0
    lent: int = 0

    @property
    def received(self) -> int:
        """Frames in so far, silence included."""
        return self.taken + self.waiting

    @property
    def end(self) -> int:
        """Frames up to the last sample: without silence given out after it."""
        return self.received - self.lent

    def push(self, samples: Native, time_s: float | None) -> None:
        """Add samples ``(frames, channels)`` that begin at ``time_s`` of the file."""
        if self.lent:
            if time_s is not None:
                samples, time_s = self._pay_back(samples, time_s)
            if len(samples):
                self.holes.append(Hole(self.end, self.lent))
                self.lent = 0
        frames = len(samples)
        if time_s is not None:
            if self.next_s is not None and abs(time_s - self.next_s) > GAP_S:
                self._jump(time_s - self.next_s)
            self.next_s = time_s + frames / self.rate_hz
        elif self.next_s is not None:
            self.next_s += frames / self.rate_hz
        if frames:
            self.pieces.append(samples)
            self.waiting += frames

    def _jump(self, seconds: float) -> None:
        frames = round(seconds * self.rate_hz)
        filled = sum(hole.frames for hole in self.holes)
        if 0 < seconds <= MAX_GAP_S and filled + frames <= MAX_GAPS_S * self.rate_hz:
            self.holes.append(Hole(self.received, frames))
            self.silence(frames)
        else:
            self.bad_timestamps += 1

    def _pay_back(self, samples: Native, time_s: float) -> tuple[Native, float]:
        """Leave out samples that come too late: silence has been given out in their place."""
        assert self.next_s is not None
        late = round((self.next_s - time_s) * self.rate_hz)
        if late <= 0:
            return samples, time_s
        late = min(late, len(samples))
        return samples[late:], time_s + late / self.rate_hz

    def silence(self, frames: int) -> None:
        """Add silence."""
        if frames > 0:
            self.pieces.append(frames)
            self.waiting += frames

    def take(self, out: Native) -> None:
        """Move the next ``len(out)`` frames into ``out``, silence where there are no more yet."""
        done = 0
        while done < len(out) and self.pieces:
            piece = self.pieces[0]
            length = piece if isinstance(piece, int) else len(piece)
            count = min(length, len(out) - done)
            out[done : done + count] = 0 if isinstance(piece, int) else piece[:count]
            if count == length:
                self.pieces.popleft()
            else:
                self.pieces[0] = piece - count if isinstance(piece, int) else piece[count:]
            done += count
        self.waiting -= done
        lent = len(out) - done
        if lent:
            out[done:] = 0
            self.lent += lent
            if self.next_s is not None:
                self.next_s += lent / self.rate_hz
        self.taken += len(out)


def widest(dtypes: list[np.dtype]) -> np.dtype:
    """Return the type that holds all tracks' samples without loss."""
    kinds = set(dtypes)
    if len(kinds) == 1:
        return kinds.pop()
    return np.dtype(np.int32 if all(kind.kind == "i" for kind in kinds) else np.float32)
