"""The whole set: named, written, redrawn."""

import subprocess
import sys
from pathlib import Path

import msgspec
import pytest
import sample_records

from dualmic import record as r
from dualmic.errors import ReportError
from dualmic.report import write_report_set

ENDINGS = [".png", ".svg", ".html", ".pdf", ".csv", ".vtt", ".marks.csv", ".marks.wav", ".json"]
SMALL = {"problems": 2, "duration_s": 30.0}


def test_a_take_gets_its_whole_set_the_record_last(tmp_path: Path) -> None:
    written = write_report_set(sample_records.build(**SMALL), tmp_path / "out")
    names = [path.name for path in written if path.suffix != ".otio"]
    assert names == [f"LOCK_0012{ending}" for ending in ENDINGS]
    assert sorted(path.name for path in written) == sorted(
        path.name for path in (tmp_path / "out").iterdir()
    )


def test_a_saved_record_draws_the_same_set_again(tmp_path: Path) -> None:
    write_report_set(sample_records.build(**SMALL), tmp_path / "one")
    saved = r.read(tmp_path / "one" / "LOCK_0012.json")
    write_report_set(saved, tmp_path / "two")
    for path in (tmp_path / "one").iterdir():
        assert path.read_bytes() == (tmp_path / "two" / path.name).read_bytes(), path.name


@pytest.mark.parametrize(
    ("name", "stem"),
    [
        ("a/b\\c:d*?", "a_b_c_d__"),
        ("..", "take"),
        ("  CON . ", "CON"),
        (sample_records.RIGHT_TO_LEFT_NAME, sample_records.RIGHT_TO_LEFT_NAME),
        ("x\u202efdp.exe\n", "x_fdp.exe_"),
    ],
)
def test_any_name_becomes_a_file_name(tmp_path: Path, name: str, stem: str) -> None:
    written = write_report_set(sample_records.build(**SMALL, name=name), tmp_path)
    assert (tmp_path / f"{stem}.json") in written


def test_a_name_too_long_for_a_file_is_cut(tmp_path: Path) -> None:
    written = write_report_set(sample_records.build(**SMALL, name="門" * 200), tmp_path)
    # POSIX file systems allow 255 bytes.
    assert all(len(path.name.encode()) <= 255 for path in written)


def test_a_recording_in_the_report_folder_is_not_replaced(tmp_path: Path) -> None:
    record = sample_records.build(**SMALL)
    recording = tmp_path / "LOCK_0012.marks.wav"
    recording.write_bytes(b"the only copy")
    file = msgspec.structs.replace(record.take.files[0], path=str(recording))
    take = msgspec.structs.replace(record.take, files=[file])
    with pytest.raises(ReportError):
        write_report_set(msgspec.structs.replace(record, take=take), tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["LOCK_0012.marks.wav"]
    assert recording.read_bytes() == b"the only copy"


def test_odd_takes_have_reports_too(tmp_path: Path) -> None:
    record = sample_records.build(problems=0, duration_s=0.4)
    nobody = msgspec.structs.replace(
        record, kind_of_take="nobody speaks", verdict=None, deliveries={}, turns=[]
    )
    one = {"subject": record.mics["subject"]}
    alone = msgspec.structs.replace(
        record,
        kind_of_take="one person",
        mics=one,
        crosstalk=None,
        overview=msgspec.structs.replace(record.overview, interviewer=None),
    )
    silent = [None] * len(record.overview.subject.rms_dbfs)
    silence = msgspec.structs.replace(
        nobody,
        overview=msgspec.structs.replace(record.overview, subject=r.Trace(silent, silent)),
    )
    mix = sample_records.build(problems=1, duration_s=20.0, mode="mix")
    for number, odd in enumerate((nobody, alone, silence, mix)):
        assert write_report_set(odd, tmp_path / str(number))


def test_asking_for_no_report_loads_none_of_its_libraries() -> None:
    program = (
        "import sys, dualmic.report\n"
        "print(sorted({'matplotlib', 'fpdf', 'jinja2', 'av', 'PIL'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, check=True)
    assert done.stdout.strip() == b"[]"


def test_a_mix_has_no_words_of_microphones_and_a_row_for_each_target(tmp_path: Path) -> None:
    import numpy as np
    import soundfile as sf
    from pypdf import PdfReader

    from dualmic.check_mix import check_mix

    time = np.arange(48000 * 6) / 48000
    tone = 0.3 * np.sin(2 * np.pi * 440 * time) * (np.sin(2 * np.pi * 3 * time) > 0)
    sf.write(tmp_path / "mix.wav", np.stack([tone, tone], axis=1), 48000, "PCM_24")
    record = check_mix([tmp_path / "mix.wav"])
    write_report_set(record, tmp_path / "out")
    leaves = PdfReader(tmp_path / "out" / "mix.pdf").pages
    sheet = " ".join(" ".join(leaf.extract_text() for leaf in leaves).split())
    page = (tmp_path / "out" / "mix.html").read_text("utf-8")
    for text in (sheet, page):
        assert "What would make it pass" in text
        assert "next take" not in text
        assert "Each microphone" not in text
    assert "no channel" not in sheet
    # The podcast's target is the programme's, the film's the speech's: one row each.
    assert "Loudness of the programme, target" in sheet
    assert "Loudness of the speech, target" in sheet
