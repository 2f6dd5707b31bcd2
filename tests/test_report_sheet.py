"""The sheet: text that is text, fonts inside, everything said, in two pages where it can be."""

import io

import msgspec
import pytest
import sample_records
from pypdf import PdfReader
from test_report_picture import CASES

from dualmic.report import fonts, sheet


def read(record, **more) -> PdfReader:
    """Read by pypdf."""
    return PdfReader(io.BytesIO(sheet.pdf(record, **more)))


def words(reader: PdfReader) -> str:
    return " ".join("\n".join(page.extract_text() for page in reader.pages).split())


@pytest.mark.parametrize("case", CASES)
def test_every_take_has_a_sheet_with_its_fonts_inside(case: str) -> None:
    reader = read(sample_records.build(**CASES[case]))
    assert reader.trailer["/Root"]["/Lang"] == "en"
    for page in reader.pages:
        for font in page["/Resources"]["/Font"].values():
            descendant = font.get_object()["/DescendantFonts"][0].get_object()
            assert "/FontFile2" in descendant["/FontDescriptor"] or (
                "/FontFile3" in descendant["/FontDescriptor"]
            )


def test_the_title_says_what_and_how_good() -> None:
    reader = read(sample_records.build(problems=0))
    assert reader.metadata.title == "LOCK_0012: Usable"


@pytest.mark.parametrize("name", ["LOCK_0012", sample_records.CJK_NAME, "Шлюз-Ἑλλάς-Łódź"])
def test_a_name_can_be_copied_out_again(name: str) -> None:
    if fonts.undrawable(name):
        pytest.skip("no font on this computer has these letters")
    assert name in words(read(sample_records.build(problems=1, name=name)))


def test_a_right_to_left_name_keeps_its_letters() -> None:
    # Readers may put such text out in the order it is seen, so only the letters are compared.
    name = "מקלט־השער"
    text = words(read(sample_records.build(problems=1, name=name)))
    assert sorted(name) == sorted(letter for letter in text.split("Recorded")[0] if letter > "֐")


def test_a_clean_take_fits_one_leaf() -> None:
    assert len(read(sample_records.build(problems=0)).pages) <= 2
    assert len(read(sample_records.build(problems=5)).pages) <= 2


def test_a_long_list_runs_on_under_its_heading() -> None:
    record = sample_records.build(problems=80)
    reader = read(record)
    pages = [page.extract_text() for page in reader.pages]
    text = words(reader)
    assert all(problem.start_timecode in text for problem in record.problems)
    listing = [page for page in pages if sum(p.start_timecode in page for p in record.problems) > 5]
    assert len(listing) > 1
    assert all("Heard, and what to do" in page for page in listing)


def test_every_limit_stands_beside_its_value() -> None:
    record = sample_records.build(problems=1)
    text = words(read(record))
    # Value, limit, result of one check in both deliveries, in one line.
    assert "subject 16.2 dB min 18, 10 take care 16.2 dB min 18, 10 take care" in text
    assert "If it is safe and they are willing" in text
    assert record.method.settings_sha256 in text
    assert record.take.files[0].audio_md5 in text


def test_project_and_roll_are_printed_when_given() -> None:
    text = words(read(sample_records.build(problems=0), labels={"Project": "Locks", "Roll": "A3"}))
    assert "Project: Locks Roll: A3" in text


def test_content_fits_letter_and_a4() -> None:
    # ISO 216 A4 is 297 mm high, ANSI Letter 279.4: nothing below 279.4 from the top, in points.
    lowest = []

    def look(text, _cm, matrix, _font, _size) -> None:
        if text.strip():
            lowest.append(matrix[5])

    reader = read(sample_records.build(problems=60))
    for page in reader.pages:
        page.extract_text(visitor_text=look)
    assert min(lowest) > (297 - 279.4) / 25.4 * 72


def test_the_same_record_gives_the_same_bytes() -> None:
    record = sample_records.build(problems=3)
    assert sheet.pdf(record) == sheet.pdf(record)


def test_a_record_without_levels_or_second_microphone_has_a_sheet() -> None:
    record = sample_records.build(problems=1)
    bare = msgspec.structs.replace(
        record,
        mics={"subject": record.mics["subject"]},
        overview=msgspec.structs.replace(record.overview, interviewer=None, subject=None),
        crosstalk=None,
        deliveries={},
        turns=[],
        at_risk=[],
    )
    assert "not measured" in words(read(bare))
