"""Transforms against numpy's, in double precision."""

import subprocess
import sys
from types import SimpleNamespace

import numpy as np
import pytest

from dualmic.meters import fft


@pytest.fixture(params=["compiled", "scipy.fft"])
def way(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    if request.param == "scipy.fft":
        monkeypatch.setattr(fft, "_fast", None)
    elif fft._fast is None:
        pytest.skip("this scipy keeps its compiled transforms elsewhere")
    return str(request.param)


@pytest.mark.parametrize("size", [960, 4800, 14880])
def test_spectra_are_those_of_numpy(way: str, size: int) -> None:
    rows = np.random.default_rng(size).normal(size=(2, 3, size)).astype(np.float32)
    spectra = fft.rfft(rows)
    assert spectra.dtype == np.complex64
    np.testing.assert_allclose(spectra, np.fft.rfft(rows.astype(np.float64)), atol=2e-4)
    np.testing.assert_allclose(fft.irfft(spectra, size), rows, atol=1e-5)


def test_a_compiled_part_that_answers_otherwise_is_not_used() -> None:
    def doubled(rows, *_):
        return 2 * np.fft.rfft(rows).astype(np.complex64)

    def back(spectra, _axes, size, *_):
        return np.fft.irfft(spectra, size)

    assert not fft._answers(SimpleNamespace(r2c=doubled, c2r=back))
    assert fft._answers(SimpleNamespace(r2c=lambda r, *_: doubled(r) / np.complex64(2), c2r=back))


@pytest.mark.parametrize(("least", "length"), [(1, 1), (7, 8), (14880, 15000), (13, 15), (97, 100)])
def test_fast_lengths_hold_small_factors_alone(least: int, length: int) -> None:
    assert fft.fast_length(least) == length


def test_a_check_does_not_import_what_it_does_not_need() -> None:
    if fft._fast is None:
        pytest.skip("this scipy keeps its compiled transforms elsewhere")
    code = "import sys, dualmic.take; print([m for m in sys.modules if m.startswith('scipy')])"
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert told.stdout.strip() == "[]"
