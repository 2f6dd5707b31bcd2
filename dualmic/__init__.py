"""dualmic: listens to two-microphone interview recordings and says whether they are usable."""

from importlib.metadata import PackageNotFoundError, version

try:
    __version__ = version("dualmic")
except PackageNotFoundError:  # a source tree that was never installed
    __version__ = "0+unknown"

__all__ = ["__version__"]
