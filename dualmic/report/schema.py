"""The record's JSON schema, generated from its structs.

``python -m dualmic.report.schema`` writes ``dualmic/record_schema.json`` anew; a test holds the
committed file to the structs.
"""

import inspect
from pathlib import Path
from typing import Any

import msgspec

from dualmic.record import SCHEMA, TakeRecord

PATH = Path(__file__).parent.parent / "record_schema.json"


def record_schema() -> dict[str, Any]:
    """Return the JSON schema (draft 2020-12) of a take record."""
    schema = msgspec.json.schema(TakeRecord)
    for definition in schema["$defs"].values():
        # Some releases of msgspec hand docstrings on with their indentation, some without.
        if "description" in definition:
            definition["description"] = inspect.cleandoc(definition["description"])
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"A take, measured and judged ({SCHEMA})",
        **schema,
    }


def encoded() -> bytes:
    """Return the schema as the committed file holds it."""
    return msgspec.json.format(msgspec.json.encode(record_schema()), indent=1) + b"\n"


if __name__ == "__main__":
    PATH.write_bytes(encoded())
