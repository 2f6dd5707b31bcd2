"""One judged value: how a number becomes pass, warn or fail, and checks become a result.

A value at a limit is inside it. Values are judged as they are written: to two decimals.
"""

import math
from collections.abc import Iterable

import msgspec

from dualmic.record import Check, DeliveryResult, MicRole, Result
from dualmic.spec import FLOORS, Limit

# Our choice: finer than any display in the trade (EBU Tech 3341 shows 0.1 LU), so that a number
# that reads as the limit is judged as the limit.
DECIMALS = 2

# Our choice: beyond this the dips of a comb filter are complete for any ear.
MAX_RIPPLE_DB = 60.0

# Part of a check's title where the damaged words exist once more, undamaged.
SAFE_COPY = "safe in another copy"


def judged(
    check_id: str,
    title: str,
    value: float | None,
    limit: Limit,
    *,
    mic: MicRole | None = None,
    may_fail: bool = True,
    unit: str | None = None,
    floor: bool | None = None,
) -> Check:
    """Judge ``value`` against ``limit``: a floor for the ids in ``spec.FLOORS`` unless told.

    ``value`` is ``None`` where it could not be measured. With ``may_fail=False`` the limit for
    failing only warns. ``margin`` is positive where the value passes: how far inside the first
    limit it lies. It is negative otherwise: how far it lies beyond the limit that it broke.
    """
    warn, fail = limit.warn, limit.fail
    if not may_fail:
        warn, fail = (fail if warn is None else warn), None
    value = None if value is None or not math.isfinite(value) else round(value, DECIMALS)
    sign = -1.0 if (check_id in FLOORS if floor is None else floor) else 1.0
    result: Result = "not measured"
    margin = None
    if value is not None:
        result, margin = _place(value, warn, fail, sign)
    return Check(
        id=check_id,
        title=title,
        mic=mic,
        value=value,
        warn_limit=warn,
        fail_limit=fail,
        margin=margin,
        unit=limit.unit if unit is None else unit,
        result=result,
        source=limit.source,
    )


def _place(
    value: float, warn: float | None, fail: float | None, sign: float
) -> tuple[Result, float | None]:
    """Result and margin; ``sign`` is +1 where more is worse and -1 where less is."""
    for limit, result in ((fail, "fail"), (warn, "warn")):
        if limit is not None and sign * (value - limit) > 0:
            return result, _rounded(-sign * (value - limit))  # type: ignore[return-value]
    first = fail if warn is None else warn
    return "pass", None if first is None else _rounded(sign * (first - value))


def _rounded(margin: float) -> float:
    return round(margin, DECIMALS) + 0.0  # zero has no sign


def stated(
    check_id: str,
    title: str,
    value: float,
    unit: str,
    source: str,
    *,
    mic: MicRole | None = None,
) -> Check:
    """State a value that no limit judges: it passes, without limits and margin."""
    return judged(check_id, title, value, Limit(source=source), mic=mic, unit=unit)


def bit_depth_check(limit: Limit, bit_depth: int | None, is_lossy: bool) -> Check:
    """Judge the bits of a sample; compressed sound has none, which is worth a warning."""
    if not is_lossy:
        bits = None if bit_depth is None else float(bit_depth)
        return judged("bit_depth", "Bit depth", bits, limit)
    check = judged("bit_depth", "Bit depth (compressed sound has none)", None, limit)
    return msgspec.structs.replace(check, result="warn")


def overall(checks: Iterable[Check]) -> DeliveryResult:
    """Result of a delivery: a failure outweighs a gap, a gap outweighs a warning."""
    results = {check.result for check in checks}
    if "fail" in results:
        return "fail"
    if "not measured" in results or not results:
        return "incomplete"
    return "warn" if "warn" in results else "pass"


def power_sum_db(*levels_db: float) -> float:
    """Level of unrelated sounds together, such as the noise of two open microphones.

    >>> round(power_sum_db(-60.0, -60.0), 2)
    -56.99
    """
    return 10.0 * math.log10(sum(10.0 ** (level / 10.0) for level in levels_db))


def ripple_db(leak_db: float) -> float:
    """Peak-to-dip size of the comb filter that a late copy at ``leak_db`` makes of a voice.

    ``20 log10((1 + a) / (1 - a))`` for a copy of amplitude ``a``; a copy that is the louder of the
    two does as much as one so much softer. At most 60 dB.

    >>> round(ripple_db(-6.0206), 2)
    9.54
    """
    copy = 10.0 ** (-abs(leak_db) / 20.0)
    if copy >= 0.998:
        return MAX_RIPPLE_DB
    return min(MAX_RIPPLE_DB, 20.0 * math.log10((1.0 + copy) / (1.0 - copy)))
