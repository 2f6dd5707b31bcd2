"""Timecode: naming the frames of a recording (SMPTE ST 12-1).

Timecode counts frames with whole numbers although 23.976, 29.97 and 59.94 frames a second are not
whole (``nominal * 1000 / 1001``). *Drop-frame* counting keeps the labels near the clock: the
labels :00 and :01 (:00 to :03 at 59.94) are left out in every minute but each tenth, so 29.97
frames a second drop 108 labels an hour (SMPTE ST 12-1, drop-frame compensation).

    >>> Counter.parse("00:00:59;29", "30000/1001").at(1001 / 30000)
    '00:01:00;02'
"""

import re
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cache, cached_property

from dualmic.record import Timecode

_PATTERN = re.compile(r"^\s*(\d{1,2}):(\d{2}):(\d{2})([:;.,])(\d{2,3})\s*$")
DAY_HOURS = 24
# Rates in use in cameras (SMPTE ST 12-1, ST 12-3 above 30).
RATES = (
    *(Fraction(nominal * 1000, 1001) for nominal in (24, 30, 48, 60, 120)),
    *(Fraction(nominal) for nominal in (24, 25, 30, 48, 50, 60, 100, 120)),
)


def rate_name(rate: Fraction) -> str:
    """Return a frame rate as people write it: ``25``, ``29.97``, ``23.976``."""
    if rate.denominator == 1:
        return str(rate.numerator)
    text = f"{float(rate):.3f}".rstrip("0")
    return f"{float(rate):.2f}" if len(text.split(".")[1]) > 2 and rate > 24 else text


@cache
def parse_rate(text: str) -> Fraction:
    """Read a frame rate: ``25``, ``30000/1001`` or rounded as in ``29.97`` and ``23.98``.

    Raises:
        ValueError: when it is no rate, or outside 1 to 240 frames a second.

    """
    rate = Fraction(text)
    for nominal in (24, 30, 48, 60, 120):
        exact = Fraction(nominal * 1000, 1001)
        if abs(rate - exact) < Fraction(6, 1000):
            rate = exact
    if not 1 <= rate <= 240:
        raise ValueError(f"{text} frames a second is no frame rate")
    return rate


def nearest_rate(rate: Fraction) -> Fraction:
    """Return the rate in use nearest to a picture's average, which short clips bend a little."""
    nearest = min(RATES, key=lambda known: abs(known - rate))
    return nearest if abs(nearest - rate) < nearest / 100 else rate


@dataclass(frozen=True)
class Counter:
    """Counts timecode on from a start.

    Args:
        start_frame: number of frames since 00:00:00:00.
        rate: frames a second, exact.
        drop_frame: labels are dropped; only at 29.97 and 59.94.

    """

    start_frame: int
    rate: Fraction
    drop_frame: bool = False

    @cached_property
    def nominal(self) -> int:
        """Frame labels in a second: 30 at 29.97."""
        return round(self.rate)

    @cached_property
    def dropped_a_minute(self) -> int:
        """Labels left out in nine of ten minutes: 2 at 29.97, 4 at 59.94, else none."""
        return self.nominal // 15 if self.drop_frame else 0

    @cached_property
    def frames_a_day(self) -> int:
        """Labels from midnight to midnight."""
        minutes = DAY_HOURS * 60
        dropped = self.dropped_a_minute * (minutes - minutes // 10)
        return minutes * 60 * self.nominal - dropped

    @classmethod
    def parse(cls, start: str, rate: str, drop_frame: bool | None = None) -> "Counter":
        """Read a start such as ``10:11:12:00``; ``;`` before the frames means drop-frame.

        Raises:
            ValueError: when the text is no timecode of that rate, such as a dropped label.

        """
        match = _PATTERN.match(start)
        if match is None:
            raise ValueError(f"{start!r} is not a timecode such as 10:11:12:00")
        hours, minutes, seconds, frames = (int(match[i]) for i in (1, 2, 3, 5))
        exact = parse_rate(rate)
        wants_drop = match[4] in ";," if drop_frame is None else drop_frame
        # Drop-frame counting is defined for 30 and 60 times 1000/1001 alone (SMPTE ST 12-1).
        zero = cls(0, exact, wants_drop and exact.denominator == 1001 and round(exact) % 30 == 0)
        if hours >= DAY_HOURS or minutes > 59 or seconds > 59 or frames >= zero.nominal:
            raise ValueError(f"{start!r} is not a timecode at {rate} frames a second")
        total_minutes = hours * 60 + minutes
        dropped = zero.dropped_a_minute
        if minutes % 10 and seconds == 0 and frames < dropped:
            raise ValueError(f"{start!r} does not exist: drop-frame counting leaves it out")
        labels = (total_minutes * 60 + seconds) * zero.nominal + frames
        return cls(labels - dropped * (total_minutes - total_minutes // 10), exact, zero.drop_frame)

    @classmethod
    def of(cls, timecode: Timecode) -> "Counter":
        """Return a counter for a record's timecode."""
        return cls.parse(timecode.start, timecode.rate, timecode.drop_frame)

    @classmethod
    def since_midnight(
        cls, seconds: Fraction, rate: Fraction, drop_frame: bool = False
    ) -> "Counter":
        """Return a counter whose start is the frame that holds that time of day.

        Timecode of 23.976 and 29.97 runs slower than the clock; a sample count since midnight
        (``bext`` TimeReference) is real time, and so is this.
        """
        return cls(int((seconds * rate + Fraction(1, 100)) // 1), rate, drop_frame)

    def at(self, elapsed_s: float | Fraction) -> str:
        """Return the label of the frame that is on show ``elapsed_s`` seconds after the start."""
        # A hundredth of a frame of slack: 0.04 s at 25 frames a second is frame 1, though the
        # binary 0.04 lies below it.
        frames = int((Fraction(elapsed_s) * self.rate + Fraction(1, 100)) // 1)
        return self.label(self.start_frame + frames)

    def label(self, frame: int) -> str:
        """Return the label of a frame since 00:00:00:00; a day later it begins again."""
        frame %= self.frames_a_day
        dropped = self.dropped_a_minute
        if dropped:
            minute = 60 * self.nominal - dropped
            tens, rest = divmod(frame, 10 * minute + dropped)
            # The first minute of ten keeps all its labels.
            minutes_on = max(0, rest - dropped) // minute
            frame += dropped * (9 * tens + minutes_on)
        seconds, frames = divmod(frame, self.nominal)
        separator = ";" if self.drop_frame else ":"
        digits = 3 if self.nominal > 100 else 2
        hours, minutes, seconds = seconds // 3600, seconds // 60 % 60, seconds % 60
        return f"{hours:02d}:{minutes:02d}:{seconds:02d}{separator}{frames:0{digits}d}"

    def later(self, seconds: float) -> "Counter":
        """Return a counter that starts so much later, to the nearest frame."""
        return replace(self, start_frame=self.start_frame + round(seconds * self.rate))

    def timecode(self) -> Timecode:
        """Return the start as the record writes it."""
        return Timecode(self.label(self.start_frame), rate_name(self.rate), self.drop_frame)


def at(timecode: Timecode | None, elapsed_s: float) -> str | None:
    """Return the timecode ``elapsed_s`` seconds into a take, or ``None`` when it has none."""
    return None if timecode is None else Counter.of(timecode).at(elapsed_s)
