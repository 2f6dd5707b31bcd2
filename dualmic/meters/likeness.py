"""How alike the two channels are: what is left of one after the best gain of the other.

Per tile of 100 ms the meter keeps the two powers and the product of both channels, each about its
own mean, so that any stretch of the take can be asked afterwards.
"""

from dataclasses import dataclass

import numpy as np

from dualmic.tiles import TILES_PER_S, Powers, Second, Stack


@dataclass(frozen=True)
class Likeness:
    """``first``, ``second``: powers; ``both``: mean product, each ``(tiles,)``."""

    first: Powers
    second: Powers
    both: Powers

    def residual_db(self, length: int) -> Powers:
        """Return 10 log10 of the share of power that the best gain leaves, over ``length`` tiles.

        Windows slide by one tile; where a channel is silent there is nothing to compare: 0 dB.
        """
        kernel = np.ones(length)
        if len(self.first) < length:
            return np.zeros(0)
        a, b, ab = (
            np.convolve(part, kernel, "valid") for part in (self.first, self.second, self.both)
        )
        live = (a > 1e-14 * length) & (b > 1e-14 * length)
        share = np.where(live, 1 - ab**2 / np.maximum(a * b, 1e-300), 1.0)
        return 10 * np.log10(np.clip(share, 1e-12, 1.0))


class LikenessMeter:
    """Feeds on seconds of two channels, keeps their powers and product by tile."""

    def __init__(self, rate_hz: int) -> None:
        """Start with nothing heard."""
        self._edges = np.round(np.arange(TILES_PER_S + 1) * rate_hz / TILES_PER_S).astype(int)
        self._stack = Stack()

    def push(self, second: Second) -> None:
        """Take in the next second; a broken tile at the end is left out."""
        tiles = int(np.searchsorted(self._edges, second.frames, side="right")) - 1
        sums = np.empty((3, tiles))
        for tile in range(tiles):
            part = second.samples[:2, self._edges[tile] : self._edges[tile + 1]]
            count = part.shape[1]
            # BLAS sums in float32 blocks: good to 1e-6 of the powers, -60 dB of residual.
            a, b = part - part.mean(axis=1, keepdims=True, dtype=np.float64).astype(np.float32)
            sums[:, tile] = (float(a @ a), float(b @ b), float(a @ b))
            sums[:, tile] /= count
        self._stack.add(sums)

    def result(self) -> Likeness:
        """Return the sums so far."""
        first, second, both = self._stack.joined((3, 0))
        return Likeness(first, second, both)
