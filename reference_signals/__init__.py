"""Reference signals made from the published tables, each with its expected reading and source.

>>> from reference_signals import all_rows
>>> row = next(all_rows())
>>> row.number, row.quantity, row.expected, row.tolerance
('3341-1', 'programme.integrated_lufs', -23.0, '±0.1')
>>> row.signal.samples().shape
(960000, 2)
"""

from collections.abc import Iterator

from reference_signals import ebu, formats, takes, weighting
from reference_signals.files import write
from reference_signals.signal import Row, Signal

__all__ = ["Row", "Signal", "all_rows", "write"]


def all_rows() -> Iterator[Row]:
    """Yield every row: EBU cases, A-weighting, takes of known make-up, sample rates and formats."""
    yield from ebu.rows()
    yield from weighting.rows()
    yield from takes.rows()
    yield from formats.rows()
