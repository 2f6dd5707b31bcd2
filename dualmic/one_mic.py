"""One microphone for both people, taken through meters that are made for two.

Who speaks is told from two microphones, so with one nobody can say whose words they are: all that
is spoken counts as answers, on the subject's microphone, and nothing that compares two is asked. A
silent channel stands in for the interviewer's microphone while the take is measured; of it nothing
reaches the record.
"""

from collections.abc import Iterable, Iterator
from dataclasses import replace

import numpy as np

from dualmic.measure import Measured
from dualmic.record import Roles
from dualmic.tiles import Floats


def seats(roles: Roles, channels: int) -> tuple[int, int]:
    """Return the channels, from 0, of the interviewer's and the subject's microphone.

    With one microphone the stand-in is the channel after the last; see :func:`with_stand_in`.
    """
    assert roles.subject is not None
    first = channels if roles.interviewer is None else roles.interviewer - 1
    return first, roles.subject - 1


def with_stand_in(blocks: Iterable[Floats]) -> Iterator[Floats]:
    """Add a silent channel after the last one of every block ``(frames, channels)``."""
    for block in blocks:
        yield np.concatenate([block, np.zeros((len(block), 1), np.float32)], axis=1)


def without_stand_in(measured: Measured) -> Measured:
    """Forget that the stand-in was silent, which would pass for lost sound."""
    return replace(measured, held=[[], measured.held[1]])
