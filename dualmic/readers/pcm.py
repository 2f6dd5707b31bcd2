"""Samples between their stored form, whole numbers and float32, and the checksum over them.

A *native* array holds samples as the file does: ``int16``, or ``int32`` with the sample's bits at
the top, or ``float32``/``float64``; shape ``(frames, channels)``. Every reader ends in
:func:`to_float32`, so equal samples give bit-identical float32 whatever file they came from.
"""

import hashlib
from typing import Any

import numpy as np
from numpy.typing import NDArray

Native = NDArray[Any]  # int16, int32, float32 or float64


def to_float32(native: Native) -> NDArray[np.float32]:
    """Return samples re full scale 1.0: whole numbers are divided by 2 to the bits less one."""
    if native.dtype == np.float32:
        return np.ascontiguousarray(native, dtype=np.float32)
    with np.errstate(over="ignore"):
        out = np.ascontiguousarray(native).astype(np.float32)
    if native.dtype == np.int16:
        out *= np.float32(2.0**-15)
    elif native.dtype == np.int32:
        out *= np.float32(2.0**-31)
    return out


def from_24_bit(raw: NDArray[np.uint8], samples: int) -> NDArray[np.int32]:
    """Return packed little-endian 24-bit samples as int32, the sample in the top three bytes.

    ``raw`` must be at least one byte longer than ``3 * samples``: each sample is read as four
    bytes three apart and the foreign byte is shifted out, which numpy does in about 1 ns a sample,
    half of what separate bytes cost.
    """
    out = np.empty(samples, np.int32)
    out[...] = np.ndarray((samples,), "<i4", raw, 0, (3,))
    np.left_shift(out, 8, out=out)
    return out


def packed(native: Native, bits: int) -> bytes:
    """Return samples as the checksum sees them: little-endian, whole bytes, interleaved."""
    if native.dtype == np.int32 and bits <= 24:
        if bits <= 16:
            return packed((native >> 16).astype(np.int16), bits)
        raw = np.ascontiguousarray(native, dtype="<i4").view(np.uint8).reshape(-1)
        out = np.empty(native.size * 3, np.uint8)
        for byte in range(3):
            out[byte::3] = raw[byte + 1 :: 4]
        return out.tobytes()
    if native.dtype == np.int16 and bits <= 8:
        return np.ascontiguousarray(native >> 8).astype(np.int8).tobytes()
    return np.ascontiguousarray(native).astype(native.dtype.newbyteorder("<"), copy=False).tobytes()


class Checksum:
    """MD5 of the decoded samples, as FLAC's STREAMINFO defines it (RFC 9639, section 8.2).

    Whole-number samples are little-endian in ``ceil(bits / 8)`` bytes, channels interleaved, so a
    FLAC file's own stored checksum is the same number. FLAC has no float samples: those are hashed
    as their own little-endian IEEE 754 bytes (our choice: it still proves that a report belongs to
    its take, and equals the data of a float WAV). Lossy sound has no checksum, because two correct
    decoders differ in the last bits.

    >>> Checksum(16).hexdigest()
    'd41d8cd98f00b204e9800998ecf8427e'
    """

    def __init__(self, bits: int) -> None:
        """``bits``: bits of a whole-number sample; float samples do not use it."""
        self._bits = bits
        self._md5 = hashlib.md5(usedforsecurity=False)

    def push(self, native: Native) -> None:
        """Add samples, shape ``(frames, channels)``."""
        self._md5.update(packed(native, self._bits))

    def push_bytes(self, data: bytes | memoryview) -> None:
        """Add samples that are in the hashed form already."""
        self._md5.update(data)

    def hexdigest(self) -> str:
        """Return the checksum so far, as 32 hexadecimal digits."""
        return self._md5.hexdigest()
