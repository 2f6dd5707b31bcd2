"""What a reference signal is: a made sound, and a row that says what a meter must read from it.

Conventions: a block is float32 of shape ``(frames, channels)``; full scale is 1.0; a quantity is
the path of a number in the take record, such as ``programme.integrated_lufs``, so that the same
row can be read from any record and from its JSON.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Block = NDArray[np.float32]
Encoding = Literal[
    "wav-float", "wav-16", "wav-24", "wav-32", "flac-24", "alac-16", "alac-24", "mov-24", "aac"
]

BLOCK_FRAMES = 65536


@dataclass(frozen=True)
class Signal:
    """A sound that is made anew each time it is asked for.

    ``make(start, stop)`` returns frames ``start`` to ``stop`` (stop excluded) as a block; asking
    in pieces or whole gives the same samples. ``encoding`` is how :func:`files.write` stores it.
    """

    name: str
    made: str
    sample_rate_hz: int
    channels: int
    frames: int
    make: Callable[[int, int], Block]
    encoding: Encoding = "wav-float"

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.frames / self.sample_rate_hz

    def blocks(self, block_frames: int = BLOCK_FRAMES) -> Iterator[Block]:
        """Yield the signal as blocks of at most ``block_frames`` frames."""
        for start in range(0, self.frames, block_frames):
            yield self.make(start, min(start + block_frames, self.frames))

    def samples(self) -> Block:
        """Return the whole signal, ``(frames, channels)``."""
        return self.make(0, self.frames)


@dataclass(frozen=True)
class Row:
    """One line of the proof: what ``quantity`` of ``signal`` must be, within what, and who says so.

    The reading passes when ``expected - minus <= read <= expected + plus``. ``part`` counts the
    signals of a case that the standard defines as several (``3341-10`` has twenty).
    """

    number: str
    signal: Signal
    quantity: str
    expected: float
    minus: float
    plus: float
    unit: str
    source: str
    part: int = 1

    @property
    def tolerance(self) -> str:
        """The tolerance in words, ``±0.1`` or ``+0.2/-0.4``."""
        if self.minus == self.plus:
            return f"±{self.plus:g}"
        return f"+{self.plus:g}/-{self.minus:g}"

    def holds(self, read: float | None) -> bool:
        """Whether ``read`` lies inside the tolerance; nothing read never does."""
        return read is not None and self.expected - self.minus <= read <= self.expected + self.plus


def from_samples(samples: NDArray[np.floating]) -> Callable[[int, int], Block]:
    """Return a ``make`` that cuts blocks from an array ``(frames, channels)``."""
    stored = np.ascontiguousarray(samples, dtype=np.float32)
    return lambda start, stop: stored[start:stop]
