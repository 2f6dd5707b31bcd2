"""How far a run has come and how long it will go on, said honestly.

Takes differ in length, so progress counts the sound, not the takes; and a report costs the same for
a short take as for a long one, so every take counts as some sound more.
"""

import time
from collections.abc import Callable
from dataclasses import dataclass

_REPORT_S = 60.0  # our choice: drawing a report takes about as long as measuring this much sound
_PATIENCE_S = 5.0  # our choice: before that, a rate would be a guess


@dataclass(frozen=True)
class Current:
    """A take that is being measured."""

    name: str
    done_s: float
    length_s: float


@dataclass(frozen=True)
class Progress:
    """How far a run is: takes, seconds of sound, and seconds of time left where they are known."""

    done: int
    whole: int
    done_s: float
    whole_s: float
    left_s: float | None
    current: tuple[Current, ...] = ()


class Pace:
    """Keeps count of a run's takes; ``at_once`` is how many are measured at one time."""

    def __init__(self, at_once: int, now: Callable[[], float] = time.monotonic) -> None:
        self._at_once, self._now = at_once, now
        self._started_at = now()
        self._names: dict[str, str] = {}
        self._lengths: dict[str, float] = {}
        self._running: dict[str, float] = {}
        self._finished: set[str] = set()

    def add(self, key: str, name: str, length_s: float) -> None:
        """Count a take that is to be measured."""
        self._names[key], self._lengths[key] = name, length_s

    def advance(self, key: str, done_s: float) -> None:
        """Say how far into a take its measuring is; any thread may."""
        if key not in self._finished:
            self._running[key] = min(done_s, self._lengths[key])

    def finish(self, key: str) -> None:
        """Count a take as done."""
        self._finished.add(key)
        self._running.pop(key, None)

    def progress(self) -> Progress:
        """Return how far the run is now."""
        running = dict(self._running)
        done_s = sum(self._lengths[key] for key in self._finished) + sum(running.values())
        return Progress(
            done=len(self._finished),
            whole=len(self._lengths),
            done_s=done_s,
            whole_s=sum(self._lengths.values()),
            left_s=self._left_s(done_s, running),
            current=tuple(
                Current(self._names[key], at_s, self._lengths[key])
                for key, at_s in sorted(running.items())
            ),
        )

    def _left_s(self, done_s: float, running: dict[str, float]) -> float | None:
        """Return the time left: as the mean so far says, and not before the longest take ends."""
        spent_s = self._now() - self._started_at
        worked = done_s + _REPORT_S * len(self._finished)
        if worked <= 0 or spent_s < _PATIENCE_S:
            return None
        whole = sum(self._lengths.values()) + _REPORT_S * len(self._lengths)
        rate = worked / spent_s
        longest = max(
            (self._lengths[key] - at_s + _REPORT_S for key, at_s in running.items()), default=0.0
        )
        at_once = max(1, min(self._at_once, len(self._lengths)))
        return max((whole - worked) / rate, longest / (rate / at_once))


def left_in_words(left_s: float | None) -> str:
    """Return the time left, no more exactly than it can be known.

    >>> left_in_words(None), left_in_words(400), left_in_words(8000)
    ('time left not known yet', 'about 7 min left', 'about 2 h 10 min left')
    """
    if left_s is None:
        return "time left not known yet"
    if left_s < 60:
        return "less than a minute left"
    if left_s < 3600:
        return f"about {round(left_s / 60)} min left"
    hours, tens = divmod(round(left_s / 600), 6)
    return f"about {hours} h {tens}0 min left" if tens else f"about {hours} h left"
