"""A record that names nobody: for people who must protect their source.

Left out: names of take, files, folders, tracks and people, recording date, timecode (often the
time of day), the camera's own texts, notes on the files and the date of the proof. Other free text
is searched for the same names. What stays are measurements, problems and the sound's checksum, by
which whoever holds the recording can tell that the report belongs to it.
"""

import re
from collections.abc import Iterable, Sequence
from pathlib import Path, PurePosixPath, PureWindowsPath

import msgspec

from dualmic.record import TakeRecord

#: A name of one letter cannot be told from the letter (our choice).
_SHORTEST_NAME = 2


def private_record(record: TakeRecord, sources: Sequence[Path] = ()) -> TakeRecord:
    """Return ``record`` without anything that names a person, a place, a day or a file.

    The take is called after its checksum, so that the reports of one day stay apart.
    """
    digest = next((file.audio_md5 for file in record.take.files if file.audio_md5), None)
    name = f"take-{(digest or record.method.settings_sha256)[:8]}"
    hide = _Hide(_names(record, sources))
    replace = msgspec.structs.replace
    take = replace(
        record.take,
        name=name,
        files=[
            replace(file, path=f"file {number}") for number, file in enumerate(record.take.files, 1)
        ],
        timecode=None,
        recorded_at=None,
        texts={},
        notes=[],
    )
    return replace(
        record,
        method=replace(record.method, proof=replace(record.method.proof, date=None)),
        take=take,
        channels=[replace(channel, name=None) for channel in record.channels],
        roles=replace(
            record.roles,
            decided_by=hide(record.roles.decided_by),
            doubt=hide(record.roles.doubt) if record.roles.doubt else None,
            interviewer_name=None,
            subject_name=None,
        ),
        problems=[
            replace(
                problem,
                start_timecode=None,
                end_timecode=None,
                heard=hide(problem.heard),
                advice=hide(problem.advice),
            )
            for problem in record.problems
        ],
        at_risk=[
            replace(line, covered_by=replace(line.covered_by, take="another take"))
            if line.covered_by and line.covered_by.take != record.take.name
            else replace(line, covered_by=replace(line.covered_by, take=name))
            if line.covered_by
            else line
            for line in record.at_risk
        ],
        set_up=[hide(text) for text in record.set_up],
    )


def _names(record: TakeRecord, sources: Sequence[Path]) -> set[str]:
    """Return every name the record or the sources hold, whole and in parts."""
    paths = [*(file.path for file in record.take.files), *(str(path) for path in sources)]
    names = {record.take.name, *(c.name or "" for c in record.channels)}
    names |= {record.roles.interviewer_name or "", record.roles.subject_name or ""}
    names |= {line.covered_by.take for line in record.at_risk if line.covered_by}
    for path in paths:
        for kind in (PurePosixPath(path), PureWindowsPath(path)):
            names |= {path, kind.name, kind.stem, *(p for p in kind.parts[1:-1] if len(p) > 2)}
    # A person's name is also looked for in parts; a take's may be made of everyday words.
    people = f"{record.roles.interviewer_name or ''} {record.roles.subject_name or ''}"
    names |= set(re.split(r"[\W_]+", people))
    return {name.strip() for name in names if len(name.strip()) >= _SHORTEST_NAME}


class _Hide:
    """Takes names out of a text, upper and lower case alike."""

    def __init__(self, names: Iterable[str]) -> None:
        longest_first = sorted(names, key=len, reverse=True)
        whole = "|".join(rf"(?<!\w){re.escape(name)}(?!\w)" for name in longest_first)
        self._pattern = re.compile(whole, re.IGNORECASE) if whole else None

    def __call__(self, text: str) -> str:
        return self._pattern.sub("…", text) if self._pattern else text
