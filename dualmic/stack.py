"""What is kept of a take as long as the take: in memory at first, of long takes in files.

Meters keep one array a span, joined along the time axis at the end (:class:`Stack`): some 45 MB an
hour of two microphones. The first minutes stay in memory; of a longer take everything goes into
files without a name that vanish with the process, and is mapped back when it is read. Whoever works
out one number for every 10 ms of a whole take keeps them in :func:`room`. What was read or written
of such files counts as this process's memory until :func:`let_go` is called, so whoever goes
through a whole take calls it after each step.
"""

import ctypes
import mmap
import sys
import tempfile
from collections.abc import Iterator
from typing import IO
from weakref import WeakSet

import numpy as np
from numpy.typing import NDArray

# Our choice: a quarter of an hour of spans, 12 MB of them, never touches a disk.
HELD_PARTS = 225
HELD_BYTES = 2_000_000  # our choice, in an array of :func:`room`: single numbers of 80 minutes

_mapped: WeakSet[mmap.mmap] = WeakSet()
_trim = getattr(ctypes.CDLL(None), "malloc_trim", None) if sys.platform == "linux" else None


class Stack:
    """Collects one array a span and gives them back joined along the time axis.

    Room for ``HELD_PARTS`` of them is asked for at once; the system hands out memory only as it is
    written to. Where no file can be written (a full disk), everything stays in memory.
    """

    def __init__(self) -> None:
        """Start empty."""
        self._filling: NDArray | None = None
        self._used = 0  # parts of the time axis filled so far
        self._file: IO[bytes] | None = None
        self._in_file = 0  # and that many are in the file
        self._full: list[NDArray] = []  # only where no file can be written

    def add(self, part: NDArray) -> None:
        """Keep ``part`` ``(channels, n, ...)``."""
        count = part.shape[1]
        if self._filling is not None and self._used + count > self._filling.shape[1]:
            self._put_away()
        if self._filling is None:
            room = max(count, 1) * HELD_PARTS
            self._filling = np.empty((len(part), room, *part.shape[2:]), part.dtype)
        self._filling[:, self._used : self._used + count] = part
        self._used += count

    def joined(self, empty: tuple[int, ...], dtype: type = np.float64) -> NDArray:
        """Return all parts joined along axis 1, or zeros of shape ``empty`` if there were none.

        What comes from a file cannot be written to.
        """
        if self._filling is None:
            return np.zeros(empty, dtype)
        if not self._full and self._file is None:
            return self._filling[:, : self._used]
        self._put_away()
        parts = list(self._full)
        if self._file is not None and self._in_file:
            parts.insert(0, self._from_file(self._file, self._filling))
        return parts[0] if len(parts) == 1 else np.concatenate(parts, axis=1)

    def _put_away(self) -> None:
        """Move what was collected to the file, in order of time."""
        if self._filling is None or not self._used:
            return
        filled = self._filling[:, : self._used]
        self._used = 0
        if not self._full:
            try:
                if self._file is None:
                    # Open for as long as the stack: it has no name, so nothing is left behind.
                    self._file = tempfile.TemporaryFile(buffering=0)  # noqa: SIM115
                _write(self._file, np.ascontiguousarray(np.moveaxis(filled, 1, 0)))
            except OSError:
                pass
            else:
                self._in_file += filled.shape[1]
                return
        self._full.append(filled.copy())

    def _from_file(self, file: IO[bytes], like: NDArray) -> NDArray:
        """Map the file: rows lie in order of time there, channels beside each other."""
        shape = (self._in_file, len(like), *like.shape[2:])
        size = int(np.prod(shape)) * like.dtype.itemsize
        mapped = mmap.mmap(file.fileno(), size, access=mmap.ACCESS_READ)
        _mapped.add(mapped)
        return np.moveaxis(np.frombuffer(mapped, like.dtype).reshape(shape), 0, 1)


def room(shape: int | tuple[int, ...], dtype: type) -> NDArray:
    """Return zeros to fill in; many of them are in a file, and :func:`let_go` takes no value away.

    Where no file can be written, all stay in memory.
    """
    size = int(np.prod(shape)) * np.dtype(dtype).itemsize
    if size <= HELD_BYTES:
        return np.zeros(shape, dtype)
    try:
        with tempfile.TemporaryFile(buffering=0) as file:
            # Written to its end now: a full disk is an error here and a crash later.
            for first in range(0, size, HELD_BYTES):
                _write(file, np.zeros(min(HELD_BYTES, size - first), np.uint8))
            mapped = mmap.mmap(file.fileno(), size)
    except OSError:
        return np.zeros(shape, dtype)
    _mapped.add(mapped)
    return np.frombuffer(mapped, dtype).reshape(shape)


def kept(values: NDArray) -> NDArray:
    """Return the same values, in :func:`room` if they are many: what is needed until the end."""
    if values.nbytes <= HELD_BYTES:
        return values
    copy = room(values.shape, values.dtype.type)
    copy[...] = values
    return copy


def _write(file: IO[bytes], rows: NDArray) -> None:
    left = rows.reshape(-1).view(np.uint8)
    while len(left):
        left = left[file.write(left.data) :]


def pieces(length: int, each: int) -> Iterator[slice]:
    """Yield the parts of an axis, ``each`` long at most; in between, what was read is let go."""
    for first in range(0, length, each):
        yield slice(first, min(first + each, length))
        let_go()


def let_go() -> None:
    """Give back the memory that holds what was read of files; reading it again is no error.

    Where the C library is glibc, freed memory that it kept goes back too. A short take, of which
    nothing is in a file, is left alone: fresh pages would cost it more.
    """
    if not _mapped:
        return
    if hasattr(mmap, "MADV_DONTNEED"):
        for mapped in list(_mapped):
            mapped.madvise(mmap.MADV_DONTNEED)
    if _trim is not None:
        _trim(0)
