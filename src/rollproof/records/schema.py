"""The JSON Schema of records, generated from the models.

`python -m rollproof.records.schema > docs/record.schema.json` writes the published one; a test compares them.
"""

from __future__ import annotations

import json
import sys
from typing import Annotated, Any, Literal, NotRequired

from pydantic import Field, TypeAdapter
from typing_extensions import TypedDict  # pydantic needs this one before Python 3.12

from rollproof.models.volumes import Evidence
from rollproof.records.models import HEADERS, Count

_REF = "#/$defs/"


class FileEntry(TypedDict):
    """One file of a copy: one line of `files`."""

    path: Annotated[str, Field(description="Relative, `/`-separated. Lossy, for people, where path_b64 is given.")]
    path_b64: NotRequired[Annotated[str, Field(description="The exact bytes of a path that is not valid UTF-8.")]]
    size: Count
    modified: Annotated[str, Field(description="RFC 3339 in UTC with all the digits the card gave.")]
    modified_ns: NotRequired[
        Annotated[int, Field(description="Nanoseconds since 1970, where the year is outside 1 to 9999.")]
    ]
    hashes: Annotated[dict[str, str], Field(description="Text forms of ASC MHL by algorithm.", max_length=16)]
    proven: bool
    state: NotRequired[Literal["proven", "copied", "failed", "incomplete", "differs", "missing", "unknown"]]
    evidence: NotRequired[Evidence]


class ClipEntry(TypedDict):
    """One clip of a roll: one line of `clips`."""

    name: str
    files: Count
    bytes: Count
    duration: NotRequired[str | None]
    timecode: NotRequired[str | None]
    frame_rate: NotRequired[str | None]
    resolution: NotRequired[str | None]
    codec: NotRequired[str | None]
    state: NotRequired[Annotated[str | None, Field(description="`odd`, where that is why the health is unknown.")]]
    health: Literal["sound", "damaged", "unknown"]


def record_schema() -> dict[str, Any]:
    """The schema of a whole record of any kind (JSON Schema draft 2020-12)."""
    schema = HEADERS.json_schema(mode="serialization")
    definitions: dict[str, Any] = schema["$defs"]
    for name, entry in (("FileEntry", FileEntry), ("ClipEntry", ClipEntry)):
        found = TypeAdapter(entry).json_schema(mode="serialization")
        definitions.update(found.pop("$defs", {}))
        definitions[name] = found
    for reference in schema["discriminator"]["mapping"].values():
        header = definitions[reference.removeprefix(_REF)]
        if reference.endswith("OffloadHeader"):
            _add_list(header, "clips", "ClipEntry")
        _add_list(header, "files", "FileEntry")
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "rollproof-record/1",
        "description": "One record of the chain of custody, beside the copy it speaks of. Keys may be added later.",
        **schema,
    }


def _add_list(header: dict[str, Any], key: str, entry: str) -> None:
    header["properties"][key] = {"type": "array", "items": {"$ref": _REF + entry}}
    header["required"] = [*header.get("required", []), key]


def schema_text() -> str:
    """The schema as it stands in the docs."""
    return json.dumps(record_schema(), indent=2, sort_keys=False) + "\n"


if __name__ == "__main__":
    sys.stdout.write(schema_text())
