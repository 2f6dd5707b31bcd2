"""A private report names nobody, in no byte of any of its files."""

import base64
import functools
import io
import re
import zlib
from pathlib import Path

import msgspec
import numpy as np
import pytest
import sample_records
import soundfile
from pypdf import PdfReader

from dualmic.report import write_report_set

# Words found nowhere else, so that any of them in a file is a leak.
SECRETS = {
    "take": "QUAYSTONE_7",
    "folder": "wexlbrook",
    "interviewer": "Orvyn Thackwhistle",
    "subject": "Zenobia Marchflood",
    "track": "LavZenobia",
    "other take": "QUAYSTONE_8",
    "project": "Heronmere",
    "date": "2031-07-19",
    "time": "14:33",
    "proof date": "2031-07-20",
    "timecode": "14:33:02:11",
    "own name in a sentence": "Marchflood",
    "camera text": "Brackwater weir",
    "reading note": "GLEAMFORD.MOV",
}


def secret_record(folder: Path):
    record = sample_records.build(problems=6, duration_s=20.0, name=SECRETS["take"])
    replace = msgspec.structs.replace
    file = replace(record.take.files[0], path=str(folder / f"{SECRETS['take']}.wav"))
    take = replace(
        record.take,
        files=[file],
        recorded_at=f"{SECRETS['date']}T{SECRETS['time']}:05",
        texts={"note": SECRETS["camera text"]},
        notes=[f"{SECRETS['reading note']}: Track 2 ends 1.00 s before the longest track."],
        timecode=replace(record.take.timecode, start=SECRETS["timecode"]),
    )
    problems = [
        replace(
            problem,
            start_timecode=SECRETS["timecode"],
            heard=f"{SECRETS['subject']} crackles in {SECRETS['take']}.",
            advice=f"Ask Marchflood again; compare {SECRETS['other take']}, {SECRETS['track']}.",
        )
        for problem in record.problems
    ]
    turn = record.turns[1]
    risk = sample_records.r.LineAtRisk(
        turn.id, "subject", turn.start_s, turn.end_s, ["clipping"],
        sample_records.r.Copy(SECRETS["other take"], 1, 12.0, -30.0, True),
    )  # fmt: skip
    return replace(
        record,
        take=take,
        problems=problems,
        at_risk=[risk],
        channels=[replace(channel, name=SECRETS["track"]) for channel in record.channels],
        roles=replace(
            record.roles,
            interviewer_name=SECRETS["interviewer"],
            subject_name=SECRETS["subject"],
            decided_by=f"the track name {SECRETS['track']}",
            doubt=f"Is channel 1 {SECRETS['subject']}?",
        ),
        method=replace(
            record.method, proof=replace(record.method.proof, date=SECRETS["proof date"])
        ),
        set_up=[f"Turn {SECRETS['subject']} down."],
    )


@functools.cache
def every_reading(path: Path) -> str:
    """All text a searcher could get out of a file: plain, unpacked, decoded."""
    data = path.read_bytes()
    found = [path.name.encode(), data]
    found += [base64.b64decode(part) for part in re.findall(rb"base64,([A-Za-z0-9+/=]+)", data)]
    for content in list(found):
        for match in re.finditer(rb"stream\r?\n|IDAT|iCCP|zTXt", content):
            unpacked = zlib.decompressobj()
            try:
                found.append(unpacked.decompress(content[match.end() :]))
            except zlib.error:
                continue
        # PDF strings may be written as hexadecimal UTF-16 (ISO 32000-1, 7.9.2).
        found += [
            bytes.fromhex(part.decode())
            for part in re.findall(rb"<((?:[0-9A-Fa-f]{2}){4,})>", content)
        ]
    texts = [content.decode("utf-8", "ignore") for content in found]
    texts += [content.decode("utf-16-be", "ignore") for content in found]
    if path.suffix == ".pdf":
        reader = PdfReader(io.BytesIO(data))
        texts += [page.extract_text() for page in reader.pages]
        texts += [str(value) for value in (reader.metadata or {}).values()]
        texts += [str(entry) for entry in reader.outline]
    return "\n".join(texts).casefold()


@pytest.fixture(scope="module")
def folders(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The same take reported in private and openly."""
    base = tmp_path_factory.mktemp("private")
    source = base / SECRETS["folder"]
    source.mkdir()
    record = secret_record(source)
    noise = np.random.default_rng(5).normal(0, 0.01, (48000 * 20, 2))
    soundfile.write(source / f"{SECRETS['take']}.wav", noise, 48000, "PCM_16")
    labels = {"Project": SECRETS["project"]}
    for private in (True, False):
        write_report_set(
            record,
            base / f"private-{private}",
            sources=[source / f"{SECRETS['take']}.wav"],
            private=private,
            labels=labels,
        )
    return base / "private-True", base / "private-False"


@pytest.mark.parametrize("what", SECRETS)
def test_no_byte_of_a_private_report_names(folders: tuple[Path, Path], what: str) -> None:
    private, open_one = folders
    secret = SECRETS[what].casefold()
    # Searched the same way, the open report must give the secret away: the search works.
    assert any(secret in every_reading(path) for path in open_one.iterdir())
    assert [path.name for path in private.iterdir() if secret in every_reading(path)] == []


def test_a_private_report_plays_nothing(folders: tuple[Path, Path]) -> None:
    private, open_one = folders
    assert b"<audio" in next(open_one.glob("*.html")).read_bytes()
    assert b"<audio" not in next(private.glob("*.html")).read_bytes()
    assert b"data:audio" not in next(private.glob("*.html")).read_bytes()


def test_a_private_report_still_measures(folders: tuple[Path, Path]) -> None:
    private, _ = folders
    text = "".join(page.extract_text() for page in PdfReader(next(private.glob("*.pdf"))).pages)
    assert "−30.8\u00a0LUFS" in text
    assert len(list(private.iterdir())) == len(list(folders[1].iterdir()))
