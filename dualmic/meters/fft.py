"""Real Fourier transforms of many rows at once, by the compiled part of scipy alone.

Importing ``scipy.fft`` brings in special functions, array interfaces and test helpers: 0.2 s of
every command. Its transforms live in one compiled file that needs none of that. It is loaded by
itself where it is found and answers as expected; else ``scipy.fft`` is used.
"""

from importlib.machinery import EXTENSION_SUFFIXES
from importlib.util import find_spec, module_from_spec, spec_from_file_location
from pathlib import Path
from types import ModuleType

import numpy as np

from dualmic.tiles import Floats

_FORWARD, _UNSCALED, _BY_SIZE = True, 0, 2


def rfft(rows: Floats) -> np.ndarray:
    """Return the complex spectra of the last axis of ``rows``."""
    if _fast is None:
        return _scipy_fft().rfft(rows, axis=-1)
    return np.asarray(_fast.r2c(rows, (-1,), _FORWARD, _UNSCALED, None, 1))


def irfft(spectra: np.ndarray, size: int) -> Floats:
    """Return the ``size`` real values whose spectra these are, along the last axis."""
    if _fast is None:
        return _scipy_fft().irfft(spectra, size, axis=-1)
    return np.asarray(_fast.c2r(spectra, (-1,), size, not _FORWARD, _BY_SIZE, None, 1))


def fast_length(least: int) -> int:
    """Return the smallest length from ``least`` on that transforms fast: factors 2, 3 and 5."""
    length = least
    while True:
        rest = length
        for factor in (2, 3, 5):
            while rest % factor == 0:
                rest //= factor
        if rest == 1:
            return length
        length += 1


def _scipy_fft() -> ModuleType:
    import scipy.fft

    return scipy.fft


def _compiled() -> ModuleType | None:
    """Load scipy's compiled transforms; None if they are not where they were or have changed."""
    found = find_spec("scipy")
    if found is None or not found.submodule_search_locations:
        return None
    folder = Path(found.submodule_search_locations[0]) / "fft" / "_pocketfft"
    for path in (folder / f"pypocketfft{suffix}" for suffix in EXTENSION_SUFFIXES):
        spec = spec_from_file_location("pypocketfft", path) if path.is_file() else None
        if spec is None or spec.loader is None:
            continue
        try:
            module = module_from_spec(spec)
            spec.loader.exec_module(module)
            return module if _answers(module) else None
        except (ImportError, TypeError, ValueError, AttributeError):
            return None
    return None


def _answers(module: ModuleType) -> bool:
    """Whether the compiled transforms are called as they are here."""
    rows = np.array([[1, 0, 0, 0, 0, 0], [0, 1, 0, 0, 0, 0]], np.float32)
    spectra = module.r2c(rows, (-1,), _FORWARD, _UNSCALED, None, 1)
    again = module.c2r(spectra, (-1,), 6, not _FORWARD, _BY_SIZE, None, 1)
    turns = np.exp(-2j * np.pi * np.arange(4) / 6)
    return bool(
        spectra.dtype == np.complex64
        and np.allclose(spectra, [np.ones(4), turns], atol=1e-6)
        and np.allclose(again, rows, atol=1e-6)
    )


_fast = _compiled()
