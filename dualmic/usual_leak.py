"""How much of the other person's voice a microphone usually holds, beside its own wearer's.

While one microphone hears speech, the other holds either its wearer's voice, which is louder there,
or the leak of the one that is heard. A microphone that is dead lacks the one as well as the other,
but how loud what it lacks would be differs by the leaks of both people together.
"""

from dataclasses import dataclass

import numpy as np

from dualmic.tiles import Floats, Powers, power_db

# Our choices. A leak weaker than that in a microphone on the other person is not known.
LEAST_LEAK_DB = -30.0
# Of each group of windows, two seconds at the least; people who sit close hear each other so much
# softer than themselves.
LEAST_GROUP, GROUPS_APART_DB = 20, 6.0


@dataclass(frozen=True)
class UsualLeak:
    """What of a voice this loud or louder in the other microphone reaches this one: a leak."""

    share: float
    from_power: float


def leak_of(shares: Floats, voices: Floats) -> UsualLeak | None:
    """Return the leak among what a microphone holds while the other hears speech, if it shows.

    Where the other hears its own wearer this one holds a leak of that, where it hears a leak, its
    own wearer's voice: two groups, and the louder the voice in the other microphone the surer it
    is the former. None where there is one group only.
    """
    known = shares > 10 ** (LEAST_LEAK_DB / 10)
    share_db, voice_db = power_db(shares[known]), power_db(voices[known])
    middle = _between(share_db)
    if middle is None:
        return None
    is_leak = share_db < middle
    levels = [float(np.median(voice_db[group])) for group in (is_leak, ~is_leak)]
    # Where both are as loud, what is held may be either: no more than the leak is sure.
    from_db = sum(levels) / 2 if levels[0] - levels[1] > GROUPS_APART_DB else -np.inf
    return UsualLeak(10 ** (float(np.median(share_db[is_leak])) / 10), float(10 ** (from_db / 10)))


def _between(values_db: Powers) -> float | None:
    """Return the level that parts two groups best, None where there are no two."""
    ordered = np.sort(values_db)
    count = np.arange(1, len(ordered))
    if len(ordered) < 2 * LEAST_GROUP:
        return None
    total = np.cumsum(ordered, dtype=np.float64)
    low, high = total[:-1] / count, (total[-1] - total[:-1]) / (len(ordered) - count)
    spread = count * (len(ordered) - count) * (high - low) ** 2
    inside = slice(LEAST_GROUP - 1, len(spread) - LEAST_GROUP + 1)
    at = LEAST_GROUP - 1 + int(np.argmax(spread[inside]))
    apart = float(high[at] - low[at])
    return float(ordered[at] + ordered[at + 1]) / 2 if apart >= GROUPS_APART_DB else None
