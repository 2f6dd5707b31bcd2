"""The demo: three takes of an invented visit to a lock keeper, checked and reported.

>>> demo = run_demo(Path("dualmic-demo"))  # doctest: +SKIP
>>> print(demo.text)  # doctest: +SKIP
"""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from dualmic.errors import ReportError
from dualmic.record import TakeRecord

SHOWN_TAKE = 2
"""The take whose screen is shown: the one with something to ask again."""
OPEN_NEXT = {
    ".html": "the page, for a browser",
    ".pdf": "the pass/fail sheet",
    ".png": "the plot",
}


@dataclass(frozen=True)
class Demo:
    """What the demo wrote and measured, take by take, and the text that says so."""

    takes: list[Path]
    records: list[TakeRecord]
    reports: list[Path]
    text: str


def run_demo(
    folder: Path,
    *,
    width: int = 80,
    colour: bool = False,
    say: Callable[[str], None] = lambda line: None,
) -> Demo:
    """Write the takes into ``folder/takes``, check them and report into ``folder/reports``.

    ``say`` is told, one line each, what is being done. Files of an earlier demo are replaced.

    Raises:
        ReportError: when ``folder`` cannot be written.

    """
    from dualmic.lock_keeper import files, mix
    from dualmic.report import write_report_set
    from dualmic.take import CheckOptions, check_take

    takes_folder, reports_folder = folder / "takes", folder / "reports"
    takes: list[Path] = []
    records: list[TakeRecord] = []
    reports: list[Path] = []
    try:
        for part in (takes_folder, reports_folder):
            part.mkdir(parents=True, exist_ok=True)
        for number in mix.TAKES:
            say(f"Mixing, checking and reporting {files.NAMES[number]}")
            takes.append(files.write_take(mix.mix_take(number), takes_folder))
            records.append(check_take([takes[-1]], CheckOptions()))
            reports += write_report_set(records[-1], reports_folder, sources=[takes[-1]])
    except OSError as error:
        reason = error.strerror or error
        raise ReportError(
            f"Cannot write the demo into {folder}: {reason}. Name a folder that can be written."
        ) from error
    return Demo(takes, records, reports, _text(folder, takes, records, reports, width, colour))


def _text(
    folder: Path,
    takes: list[Path],
    records: list[TakeRecord],
    reports: list[Path],
    width: int,
    colour: bool,
) -> str:
    from dualmic.report.terminal import screen
    from dualmic.report.verdict import verdict_words

    shown = SHOWN_TAKE - 1
    lines = ["A visit to a lock keeper, in three takes with synthetic voices:", ""]
    for take, record in zip(takes, records, strict=True):
        lines.append(f"  {take.name}   {verdict_words(record).headline}")
    lines += ["", f"What `dualmic check {takes[shown]}` says:", ""]
    lines += [screen(records[shown], width=width, colour=colour), "Open next:"]
    written = {path.suffix: path for path in reports if path.stem == takes[shown].stem}
    column = max(len(str(written[suffix])) for suffix in OPEN_NEXT)
    lines += [f"  {written[s]!s:{column}}  {what}" for s, what in OPEN_NEXT.items()]
    lines += ["", f"The takes are in {folder / 'takes'}. Loud moments are part of the demo:"]
    lines.append("start with the volume low.")
    return "\n".join(lines) + "\n"
