"""The measured values beside their limits, as one compact table of text."""

from collections.abc import Sequence

from dualmic.record import MIC_ROLES, Check, Leak, MicRole, TakeRecord
from dualmic.report.cells import clean, cut, width_of
from dualmic.report.words import MINUS, fixed

VALUE_CELLS = 12
LIMIT_CELLS = 28
LABEL_AT_LEAST = 16
_Row = tuple[str, list[str], str]
"""A label, one value a microphone, and the limits."""
_MARKS = {"pass": "", "warn": "care", "fail": "fails", "not measured": ""}
_LABELS = {
    "clipping": "Flat tops, worst",
    "dropout": "Lost sound, worst",
    "mic_dead": "Silent microphone",
    "speech_to_noise": "Speech over noise",
    "gain": "Gain",
    "loud_moments": "Over the peak",
    "hum_after_gain": "Hum",
    "crosstalk": "Other voice, levelled",
    "dual_mono": "One microphone on both",
    "mono_ripple": "Mono ripple",
    "open_mics_noise": "Noise of both open",
}
"""Short names by check; another check keeps its title."""
_WORST_FIRST = ("fail", "not measured", "warn", "pass")


def figures_table(record: TakeRecord, width: int) -> list[str]:
    """Return the table's lines, the first of them its head, each at most ``width`` cells.

    A value past a limit has ``care`` or ``fails`` beside it. A narrow terminal leaves the limits
    out.
    """
    roles: list[MicRole | None] = [role for role in MIC_ROLES if role in record.mics]
    measured = _measured(record, [role for role in roles if role])
    if record.mode == "mix":
        roles, measured = [None], _of_programme(record)
    head: _Row = ("", [role or "the mix" for role in roles], "limit: care/fails")
    rows = [head, *_judged(record, roles), *measured]
    limits = width >= 2 + LABEL_AT_LEAST + VALUE_CELLS * len(roles) + LIMIT_CELLS
    label_cells = width - 2 - VALUE_CELLS * len(roles) - (LIMIT_CELLS if limits else 0)
    lines = []
    for label, values, limit in rows:
        label = cut(clean(label), label_cells)
        text = "  " + label + " " * (label_cells - width_of(label))
        text += "".join(f"{value:>{VALUE_CELLS}}" for value in values)
        if limits and limit:
            text += "  " + cut(limit, LIMIT_CELLS - 2)
        lines.append(text.rstrip())
    return lines


def _judged(record: TakeRecord, roles: Sequence[MicRole | None]) -> list[_Row]:
    """One row a check; deliveries share it where they judged the same values. Worst first."""
    by_id: dict[str, dict[str, list[Check]]] = {}
    for name, delivery in record.deliveries.items():
        for check in delivery.checks:
            if check.warn_limit is not None or check.fail_limit is not None:
                by_id.setdefault(check.id, {}).setdefault(name, []).append(check)
    rows: list[tuple[int, _Row]] = []
    for of_deliveries in by_id.values():
        by_values: dict[tuple[object, ...], list[str]] = {}
        for name, checks in of_deliveries.items():
            by_values.setdefault(tuple((c.mic, c.value) for c in checks), []).append(name)
        for names in by_values.values():
            checks = [check for name in names for check in of_deliveries[name]]
            limits = {name: _limits(of_deliveries[name]) for name in names}
            title = _LABELS.get(checks[0].id) or checks[0].title.split(" (")[0]
            label = f"{title}, {checks[0].unit}".removesuffix(", ")
            if len(by_values) > 1:
                label = f"{'/'.join(names)}: {title[:1].lower()}{label[1:]}"
            shared = len(set(limits.values())) == 1
            limit = next(iter(limits.values())) if shared else _each(limits)
            worst = min(_WORST_FIRST.index(check.result) for check in checks)
            rows.append((worst, (label, [_value(checks, role) for role in roles], limit)))
    return [row for _, row in sorted(rows, key=lambda pair: pair[0])]


def _each(limits: dict[str, str]) -> str:
    return ", ".join(f"{name} {limit}" for name, limit in limits.items())


def _value(checks: Sequence[Check], role: MicRole | None) -> str:
    """Return the value of ``role`` (None: of a mix) with the worst mark; nothing if not judged."""
    own = [check for check in checks if check.mic in (role, None)]
    if not own:
        return ""
    worst = min(own, key=lambda check: _WORST_FIRST.index(check.result))
    if worst.result == "not measured":
        return "unmeasured"
    return f"{_MARKS[worst.result]} {_number(worst.value)}".strip()


def _limits(checks: Sequence[Check]) -> str:
    """Return ``care/fails``, one number where there is only the first, ``/fails`` for the second.

    A limit that fails the subject may only ask for care on the interviewer's side: the subject's
    is shown.
    """
    warns = {check.warn_limit for check in checks if check.fail_limit is not None}
    fails = {check.fail_limit for check in checks if check.fail_limit is not None}
    warn = next(iter(warns)) if warns else checks[0].warn_limit
    fail = next(iter(fails), None)
    told = ["" if limit is None else _number(limit).removesuffix(".0") for limit in (warn, fail)]
    return "/".join(told).removesuffix("/")


def _number(value: float | None) -> str:
    """Return a number to a tenth, thousands to one."""
    if value is None:
        return "none"
    text = fixed(value, 1 if abs(value) < 1000 else 0)
    return text.removeprefix("-") if float(text) == 0 else text.replace("-", MINUS)


def _of_programme(record: TakeRecord) -> list[_Row]:
    """Rows of what was measured of a mix."""
    programme = record.programme
    return [
        ("Integrated, LUFS", [_number(programme.integrated_lufs)], ""),
        ("Loudest 3 s, LUFS", [_number(programme.max_short_term_lufs)], ""),
        ("Range, LU", [_number(programme.range_lu)], ""),
    ]


def _measured(record: TakeRecord, roles: Sequence[MicRole]) -> list[_Row]:
    """Rows of what was measured and has no limit of its own."""
    mics = [record.mics[role] for role in roles]
    rows: list[_Row] = [
        ("Speech loudness, LUFS", [_number(mic.loudness.speech_lufs) for mic in mics], ""),
        ("Integrated, LUFS", [_number(m.loudness.integrated_lufs) for m in mics], ""),
        ("True peak, dBTP", [_number(mic.true_peak_dbtp) for mic in mics], ""),
        ("Background, dB(A)FS", [_number(mic.noise_floor_dba) for mic in mics], ""),
    ]
    if record.crosstalk:
        into: dict[MicRole, Leak] = {
            "interviewer": record.crosstalk.subject_into_interviewer,
            "subject": record.crosstalk.interviewer_into_subject,
        }
        leaks = [into[role] for role in roles]
        bounds = [
            "<" if leak.is_upper_bound and leak.level_db is not None else "" for leak in leaks
        ]
        levels = [b + _number(leak.level_db) for b, leak in zip(bounds, leaks, strict=True)]
        rows.append(("Other voice here, dB", levels, "before gain"))
        rows.append(("It arrives later, ms", [_number(leak.delay_ms) for leak in leaks], ""))
    return rows
