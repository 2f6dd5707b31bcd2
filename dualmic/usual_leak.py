"""How much of the other person's voice a microphone usually holds, beside its own wearer's.

While one microphone hears speech, the other holds either its wearer's voice, which is louder there,
or the leak of the one that is heard. A microphone that is dead lacks the one as well as the other,
but how loud what it lacks would be differs by the leaks of both people together.
"""

from dataclasses import dataclass

import numpy as np

from dualmic.tiles import Floats, Mask, Powers, power_db

# Our choices. A leak weaker than that in a microphone on the other person is not known; where the
# microphone holds less of its own wearer than the other does, its gain is lower by that at least.
LEAST_LEAK_DB = -30.0
# Of each group of windows, two seconds at the least; people who sit close hear each other so much
# softer than themselves.
LEAST_GROUP, GROUPS_APART_DB = 20, 6.0
# One wearer's share of it hardly varies; with the other's voice beside it, it is less by more.
MOST_PERCENTILE, ALONE_DB = 90.0, 3.0
# A microphone that died heard nearly all loud speech up to then; where a leak is lost in noise now
# and then, moments with and without a trace of it lie among each other.
NEARLY_ALL = 0.9


@dataclass(frozen=True)
class UsualLeak:
    """What of a voice this loud or louder in the other microphone reaches this one: a leak."""

    share: float
    from_power: float


def leak_of(shares: Floats, voices: Floats, traced: Mask) -> UsualLeak | None:
    """Return the leak among what a microphone holds while the other hears speech, if it shows.

    Where this one holds a large share of what the other hears, its own wearer speaks, and the other
    hears a leak of that. What is far louder there is the other's own wearer.

    Args:
        shares: how much of the voice in the other microphone this one holds, at several moments
            in order.
        voices: the power of that voice.
        traced: whether that voice leaves a trace here.

    """
    share_db, voice_db = power_db(shares), power_db(voices)
    middle = _between(np.maximum(share_db, LEAST_LEAK_DB - GROUPS_APART_DB))
    if middle is None:
        return None
    # Of windows with both voices in them the share is less than its wearer's alone.
    most_db = float(np.percentile(share_db[share_db > middle], MOST_PERCENTILE))
    alone = share_db > most_db - ALONE_DB
    from_db = float(np.percentile(voice_db[alone], MOST_PERCENTILE))
    loud = voice_db > from_db
    if loud.sum() < LEAST_GROUP:
        return None
    # Some are from after its death, perhaps the most, and in some its own wearer falls in.
    heard = _while_it_heard(traced[loud])
    least_db = LEAST_LEAK_DB + min(most_db, 0.0)
    leak_db = max(float(np.median(share_db[loud][heard])), least_db)
    return UsualLeak(float(10 ** (leak_db / 10)), float(10 ** (from_db / 10)))


def _while_it_heard(traced: Mask) -> slice:
    """Return which loud moments say how much leaks: those up to its death, if it shows, or all."""
    at = np.flatnonzero(traced)
    if len(at) < LEAST_GROUP or len(at) < NEARLY_ALL * (at[-1] + 1 - at[0]):
        return slice(None)
    return slice(int(at[0]), int(at[-1]) + 1)


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
