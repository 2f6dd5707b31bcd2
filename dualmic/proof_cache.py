"""What the last proof on this machine came to, kept in the user's cache folder.

``$XDG_CACHE_HOME/dualmic/proof.json`` (``~/.cache`` where that is not set) holds one outcome a key;
the key is made of the machine, the version and the text of the code that measures, and the
libraries it measures with: change any of these, and the proof counts as not run. Reading it costs a
few milliseconds and never runs the proof.
"""

import contextlib
import datetime
import hashlib
import os
import platform
from collections.abc import Sequence
from functools import lru_cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

import msgspec

from dualmic import __version__
from dualmic.record import Proof

LIBRARIES = ("numpy", "scipy", "soundfile", "av")
KEPT = 20  # outcomes kept; our choice: more versions than anybody runs side by side


class Reading(msgspec.Struct, frozen=True):
    """One row measured: what was due, what was read, and whether it lies inside the tolerance."""

    number: str
    part: int
    made: str
    quantity: str
    expected: float
    read: float | None
    difference: float | None
    minus: float
    plus: float
    unit: str
    source: str
    second_opinion: float | None
    passed: bool


def all_passed(readings: Sequence[Reading]) -> bool:
    """Whether there are readings and all lie inside their tolerances."""
    return bool(readings) and all(reading.passed for reading in readings)


def cache_file() -> Path:
    """Return where outcomes are kept (XDG Base Directory Specification)."""
    base = os.environ.get("XDG_CACHE_HOME", "")
    folder = Path(base) if base and Path(base).is_absolute() else Path.home() / ".cache"
    return folder / "dualmic" / "proof.json"


def cached_proof() -> Proof:
    """Return what the last proof with this machine, version and libraries came to."""
    return _outcomes(cache_file()).get(_key(), Proof())


def remember(readings: Sequence[Reading]) -> Proof:
    """Keep the outcome of a proof and return it; a cache that cannot be written is no error."""
    proof = Proof(
        result="passed" if all_passed(readings) else "failed",
        date=datetime.datetime.now(datetime.UTC).date().isoformat(),
        cases=len(readings),
    )
    path = cache_file()
    outcomes = _outcomes(path)
    outcomes.pop(_key(), None)
    outcomes[_key()] = proof
    kept = dict(list(outcomes.items())[-KEPT:])
    # Written beside and moved over, so that no reader ever sees half a file.
    beside = path.with_name(f"proof-{os.getpid()}.json")
    with contextlib.suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            beside.write_bytes(msgspec.json.format(msgspec.json.encode(kept), indent=1))
            beside.replace(path)
        finally:
            beside.unlink(missing_ok=True)
    return proof


def _outcomes(path: Path) -> dict[str, Proof]:
    """Read the outcomes; a file that is missing or broken holds none."""
    try:
        return msgspec.json.decode(path.read_bytes(), type=dict[str, Proof])
    except (OSError, msgspec.DecodeError):
        return {}


@lru_cache(maxsize=1)
def libraries() -> dict[str, str]:
    """Return the versions of the libraries that measuring rests on, those that are there."""
    found = {}
    for name in LIBRARIES:
        with contextlib.suppress(PackageNotFoundError):
            found[name] = version(name)
    return found


@lru_cache(maxsize=1)
def _key() -> str:
    parts = [__version__, platform.node(), platform.machine(), platform.python_version()]
    parts += [f"{name} {libraries().get(name, 'missing')}" for name in LIBRARIES]
    digest = hashlib.sha256("\n".join(parts).encode())
    package = Path(__file__).parent
    code = [p for part in (".", "meters", "readers") for p in (package / part).glob("*.py")]
    for source in sorted(code):
        digest.update(source.read_bytes())
    return digest.hexdigest()
