"""Short spectra as a few sums: bands every 10 ms for speech, weighted power every 50 ms for noise.

Two frames slide over each channel, both under a Hann window and normalised so that the powers of a
stationary sound add up to its mean square:

- 20 ms every 10 ms, summed into the bands of :data:`SPEECH_BANDS_HZ`; frame k ends with cell k;
- 100 ms every 50 ms, summed over 20 Hz to 20 kHz, the same A-weighted, and in the bands of
  :data:`NOISE_BANDS_HZ`; frame j is centred on 50 j ms, so odd ones cover a tile of 100 ms exactly.
  The Hann window keeps a DC offset out of every bin from 20 Hz up.

References:
    IEC 61672-1:2013, annex E (A-weighting; the pole frequencies of eq. E.1 from memory).

"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from dualmic.meters.cross_spectra import ClassSums, CrossSpectra
from dualmic.meters.fft import rfft
from dualmic.stack import Stack, pieces, room
from dualmic.tiles import CELLS_PER_S, Floats, Mask, Span, span_edges

FRAMES_PER_S = 20
_TOGETHER = 72_000  # frames, an hour of them, of no influence on results
SPEECH_BANDS_HZ = (100.0, 300.0, 600.0, 1200.0, 2400.0, 4000.0, 7500.0)
VOICE_BANDS = slice(1, 5)  # 300 Hz to 4 kHz, where level differences say most
NOISE_BANDS_HZ = (20.0, 100.0, 315.0, 1000.0, 3150.0, 8000.0, 20000.0)
AUDIBLE_HZ = (20.0, 20000.0)

# IEC 61672-1 annex E, eq. E.1: pole frequencies, rounded; gain normalised to 0 dB at 1 kHz.
_A_POLES_HZ = (20.598997, 107.65265, 737.86223, 12194.217)


def a_weighting_db(frequency_hz: np.ndarray | float) -> np.ndarray:
    """Return the A-weighting of each frequency in dB (IEC 61672-1:2013, annex E).

    >>> float(round(a_weighting_db(1000.0), 3))
    0.0
    >>> float(round(a_weighting_db(100.0), 1))
    -19.1
    """

    def gain(f: np.ndarray | float) -> np.ndarray:
        f2 = np.square(np.asarray(f, float))
        f1, f2nd, f3, f4 = np.square(_A_POLES_HZ)
        return f4 * f2**2 / ((f2 + f1) * np.sqrt((f2 + f2nd) * (f2 + f3)) * (f2 + f4))

    with np.errstate(divide="ignore"):
        return 20 * np.log10(gain(frequency_hz) / gain(1000.0))


@dataclass(frozen=True)
class Spectra:
    """Short-time powers of every channel, full scale 1.

    ``bands_db`` is ``(channels, cells, speech bands)`` in dB (float16: the nearest 0.06 dB);
    ``audible``, ``a_weighted`` are ``(channels, frames)`` and ``noise_bands`` adds a band axis, of
    100 ms frames every 50 ms. ``cross`` holds the sums between the first two channels given as
    the pair, or None.
    """

    bands_db: np.ndarray
    audible: Floats
    a_weighted: Floats
    noise_bands: Floats
    cross: ClassSums | None


class _Frames:
    """Sliding Hann frames of each channel."""

    def __init__(self, rate_hz: int, per_s: int) -> None:
        self.length = round(2 * rate_hz / per_s)
        self._ends = span_edges(rate_hz, per_s)[1:]
        self._hop = rate_hz // per_s if rate_hz % per_s == 0 else 0
        window = np.hanning(self.length + 1)[:-1]
        self.window = window.astype(np.float32)
        # Powers of a real FFT: twice the bins between DC and Nyquist.
        self.scale = 2.0 / (self.length * float(np.sum(window**2)))
        self.bins_hz = np.arange(self.length // 2 + 1) * rate_hz / self.length

    def spectra(self, span: Span) -> Iterator[np.ndarray]:
        """Yield each channel's complex spectra ``(frames, bins)`` that end within a span.

        One channel after the other: frames and spectra of one just fit the processor's cache.
        """
        long = span.since(self.length)
        ends = self._ends[self._ends <= span.frames]
        if len(ends) and self._hop:  # a view with even steps spares one copy
            row, step = long.strides
            frames = np.lib.stride_tricks.as_strided(
                long[:, self._hop :],
                (len(long), len(ends), self.length),
                (row, self._hop * step, step),
                writeable=False,
            )
        else:
            frames = np.lib.stride_tricks.sliding_window_view(long, self.length, axis=1)[:, ends]
        for own in frames:
            yield rfft(own * self.window)

    def band_matrix(self, edges_hz: tuple[float, ...]) -> Floats:
        """Return ``(bins, bands)`` weights that sum bin powers into bands."""
        low, high = np.array(edges_hz[:-1]), np.array(edges_hz[1:])
        inside = (self.bins_hz[:, None] >= low) & (self.bins_hz[:, None] < high)
        return (inside * self.scale).astype(np.float32)


class SpectrumMeter:
    """Feeds on spans, keeps the band powers above. Memory: 9 MB an hour and channel."""

    def __init__(self, rate_hz: int, channels: int, pair: tuple[int, int] | None) -> None:
        """Prepare frames; ``pair`` are the two channels whose cross-spectra are wanted."""
        self._short = _Frames(rate_hz, CELLS_PER_S)
        self._long = _Frames(rate_hz, FRAMES_PER_S)
        heard = self._short.bins_hz < SPEECH_BANDS_HZ[-1]
        self._speech_bins = int(np.count_nonzero(heard))
        self._speech = self._short.band_matrix(SPEECH_BANDS_HZ)[heard]
        bins_hz = self._long.bins_hz
        audible = (bins_hz >= AUDIBLE_HZ[0] - 1e-6) & (bins_hz <= AUDIBLE_HZ[1])
        weight = audible * self._long.scale
        weighted = audible * self._long.scale * _a_weights(bins_hz)
        bands = self._long.band_matrix(NOISE_BANDS_HZ)
        self._noise = np.column_stack([weight, weighted, bands]).astype(np.float32)
        self._pair = pair
        self._cross = CrossSpectra(bins_hz, self._long.scale) if pair else None
        self._bands, self._powers = Stack(), Stack()
        self._channels = channels

    def push(self, span: Span) -> None:
        """Take in the next span."""
        bands = [
            _squared(short[:, : self._speech_bins]) @ self._speech
            for short in self._short.spectra(span)
        ]
        self._bands.add((10 * np.log10(np.maximum(np.stack(bands), 1e-16))).astype(np.float16))
        spectra = list(self._long.spectra(span))
        squared = [_squared(own) for own in spectra]
        self._powers.add(np.stack([own @ self._noise for own in squared]))
        if self._cross is not None and self._pair is not None:
            one, two = self._pair
            self._cross.push(spectra[one], spectra[two], squared[one], squared[two])

    def result(self) -> Spectra:
        """Return the powers so far."""
        powers = self._powers.joined((self._channels, 0, self._noise.shape[1]), np.float32)
        columns = _columns(powers)
        bands = (self._channels, 0, len(SPEECH_BANDS_HZ) - 1)
        return Spectra(
            bands_db=self._bands.joined(bands, np.float16),
            audible=columns[0],
            a_weighted=columns[1],
            noise_bands=np.moveaxis(columns[2:], 0, 2),
            cross=self._cross.result() if self._cross is not None else None,
        )


def _columns(powers: Floats) -> Floats:
    """Return ``(channels, frames, columns)`` one column after the other, as they are read."""
    channels, frames, count = powers.shape
    columns = room((count, channels, frames), np.float32)
    for part in pieces(frames, _TOGETHER):
        columns[:, :, part] = np.moveaxis(powers[:, part], 2, 0)
    return columns


def _a_weights(bins_hz: np.ndarray) -> np.ndarray:
    """Return power weights that give a tone its A-weighting in spite of the Hann window's smear.

    The window spreads a tone's power over its bin and the two beside it as 1/6, 4/6, 1/6. At the
    low end A-weighting climbs so steeply that the upper neighbour alone would make 20 Hz read
    3.6 dB high. The weights solve (w[k-1] + 4 w[k] + w[k+1]) / 6 = A[k] there.
    """
    weights = 10 ** (a_weighting_db(np.maximum(bins_hz, 1.0)) / 10)
    low = min(40, len(bins_hz) - 1)
    system = (np.eye(low) * 4 + np.eye(low, k=1) + np.eye(low, k=-1)) / 6
    wanted = weights[:low].copy()
    wanted[-1] -= weights[low] / 6
    weights[:low] = np.maximum(np.linalg.solve(system, wanted), 0.0)
    return weights


def _squared(spectra: np.ndarray) -> Floats:
    return spectra.real**2 + spectra.imag**2


def frame_mask(cells: Mask, frames: int, *, whole: bool = True) -> Mask:
    """Turn a mask of 10 ms cells into one of 100 ms frames: those wholly (or at all) inside it."""
    hop = CELLS_PER_S // FRAMES_PER_S  # half of a frame
    halves = np.zeros(((frames + 1) * hop), bool)
    used = cells[: frames * hop]
    halves[hop : hop + len(used)] = used
    count = halves.reshape(-1, hop).sum(axis=1, dtype=np.uint8)
    count = count[:-1] + count[1:]
    inside: Mask = count == 2 * hop if whole else count > 0
    return inside
