"""Times, numbers and names as people read them."""

from decimal import ROUND_HALF_UP, Decimal

from dualmic.record import Check, MicRole, TakeRecord
from dualmic.spec import FLOORS

MINUS = "\u2212"


def clock(seconds: float, *, exact: bool = False) -> str:
    """Return ``seconds`` as ``m:ss`` or ``h:mm:ss``, with tenths when ``exact``.

    >>> clock(75.26), clock(75.26, exact=True), clock(3605)
    ('1:15', '1:15.3', '1:00:05')
    """
    tenths = round(max(seconds, 0.0) * 10)
    if not exact:
        tenths = tenths // 10 * 10
    whole, tenth = divmod(tenths, 10)
    minutes, second = divmod(whole, 60)
    hours, minute = divmod(minutes, 60)
    text = f"{hours}:{minute:02d}:{second:02d}" if hours else f"{minute}:{second:02d}"
    return f"{text}.{tenth}" if exact else text


def duration(seconds: float) -> str:
    """Return a length of time in words.

    >>> duration(0.02), duration(4.25), duration(95), duration(7325)
    ('20 ms', '4.2 s', '1 min 35 s', '2 h 2 min')
    """
    if seconds < 1:
        return f"{seconds * 1000:.0f} ms"
    if seconds < 10:
        return f"{seconds:.1f} s"
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        minutes, rest = divmod(whole, 60)
        return f"{minutes} min {rest} s" if rest else f"{minutes} min"
    hours, minutes = divmod(round(seconds / 60), 60)
    return f"{hours} h {minutes} min" if minutes else f"{hours} h"


def number(value: float | None, decimals: int = 1) -> str:
    """Return a number with a true minus sign, or ``not measured``.

    >>> number(-23.04), number(None), number(-0.01)
    ('−23.0', 'not measured', '0.0')
    """
    if value is None:
        return "not measured"
    text = fixed(value, decimals)
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", MINUS)


def fixed(value: float, decimals: int) -> str:
    """Return a number with so many decimals, its halves away from zero.

    Checks hold hundredths and measurements more: by way of hundredths both read the same.

    >>> fixed(-7.852, 1), fixed(-7.85, 1), fixed(0.125, 3)
    ('-7.9', '-7.9', '0.125')
    """
    if decimals < 2:
        hundredths = Decimal(f"{value:.2f}")
        return str(hundredths.quantize(Decimal(1).scaleb(-decimals), ROUND_HALF_UP))
    return f"{value:.{decimals}f}"


def quantity(value: float | None, unit: str | None, decimals: int = 1) -> str:
    """Return a number with its unit after a no-break space."""
    if value is None:
        return number(None)
    unit = unit or ""
    if unit in {"s", "ms", "samples", "Hz", "bit"} and value == int(value):
        decimals = 0
    return f"{number(value, decimals)}\u00a0{unit}".rstrip()


def limit(check: Check) -> str:
    """Return the limits of a check in words, such as ``up to −1.0 dBTP``."""
    warn, fail = check.warn_limit, check.fail_limit
    if warn is None and fail is None:
        return "no limit"
    word = "up to" if _is_upper_bound(check) else "at least"
    inner = warn if warn is not None else fail
    text = f"{word} {quantity(inner, check.unit)}"
    if warn is not None and fail is not None and warn != fail:
        text += f", fails at {quantity(fail, check.unit)}"
    return text


def short_limit(check: Check) -> str:
    """Return the limits of a check as ``max`` or ``min`` and numbers, for narrow tables."""
    warn, fail = check.warn_limit, check.fail_limit
    limits = [value for value in (warn, fail) if value is not None]
    if not limits:
        return "no limit"
    if warn == fail:
        limits = limits[:1]
    word = "max" if _is_upper_bound(check) else "min"
    numbers = ", ".join(number(value, 0 if value == int(value) else 1) for value in limits)
    return f"{word} {numbers}"


def _is_upper_bound(check: Check) -> bool:
    """Whether values must stay under the limit, judging by the limits and the result."""
    warn, fail = check.warn_limit, check.fail_limit
    if warn is not None and fail is not None and warn != fail:
        return warn < fail
    bound = warn if warn is not None else fail
    if bound is None or check.value is None or check.value == bound:
        return check.id not in FLOORS
    inside = check.result == "pass"
    return (check.value < bound) == inside


def person(record: TakeRecord, role: MicRole) -> str:
    """Return the person's name where the record has one, else their role."""
    name = record.roles.interviewer_name if role == "interviewer" else record.roles.subject_name
    return name or role


def whose(role: MicRole | None) -> str:
    """Return whose microphone it is, in words."""
    return "both microphones" if role is None else f"the {role}'s microphone"


def plural(count: int, one: str, many: str | None = None) -> str:
    """Return ``count`` with the right noun."""
    return f"{count} {one if count == 1 else many or one + 's'}"


def short_name(name: str, most: int) -> str:
    """Return a name of at most ``most`` letters, the middle left out: the ends tell takes apart.

    >>> short_name("a-very-long-take-name", 12)
    'a-very…-name'
    """
    if len(name) <= most:
        return name
    tail = (most - 1) // 2
    return f"{name[: most - 1 - tail]}…{name[len(name) - tail :]}"
