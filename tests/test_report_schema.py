"""The record's JSON schema: generated, committed, and true of every record."""

import json

import jsonschema
import pytest
import sample_records

from dualmic.record import encode
from dualmic.report import schema


def test_the_committed_schema_is_the_structs() -> None:
    assert schema.PATH.read_bytes() == schema.encoded(), "run: python -m dualmic.report.schema"


def test_descriptions_carry_no_indentation() -> None:
    # Else the file would differ with the release of msgspec, and with that of Python.
    texts = [d["description"] for d in json.loads(schema.encoded())["$defs"].values()]
    lines = [line for text in texts for line in text.splitlines()]
    assert len(lines) > len(texts)
    assert not [line for line in lines if line != line.strip()]


@pytest.mark.parametrize(
    "record",
    [
        sample_records.build(problems=0, duration_s=10.0, timecode=False),
        sample_records.build(problems=20, duration_s=120.0),
        sample_records.build(problems=1, mode="mix", duration_s=30.0),
    ],
    ids=["short", "ordinary", "mix"],
)
def test_records_fit_the_schema(record) -> None:
    # Checked by the jsonschema library.
    committed = json.loads(schema.PATH.read_text())
    jsonschema.Draft202012Validator.check_schema(committed)
    jsonschema.validate(json.loads(encode(record)), committed)


@pytest.mark.parametrize("key", ["take", "mics", "problems", "method"])
def test_a_record_without_a_part_does_not_fit(key: str) -> None:
    data = json.loads(encode(sample_records.build(problems=1, duration_s=10.0)))
    del data[key]
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(data, json.loads(schema.PATH.read_text()))
