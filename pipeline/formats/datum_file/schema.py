"""The JSON Schemas (draft 2020-12) of the datum file and of what commands print, made from their records."""

from __future__ import annotations

import json
from typing import Any

from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue

from pipeline.formats.datum_file.records import SCHEMA_VERSION, ComparisonRecord, DatumFile, Record, RunRecord

# What can be asked for, its record, and its title.
_PUBLISHED: dict[str, tuple[type[Record], str]] = {
    "datums": (DatumFile, "datumlift datum file"),
    "run": (RunRecord, "what datumlift run --json prints"),
    "compare": (ComparisonRecord, "what datumlift compare --json prints"),
}
SCHEMAS = tuple(_PUBLISHED)


class _Published(GenerateJsonSchema):
    """Without the fields' own names as titles, and without defaults: they are what we take where a key is missing,
    not what the file says by lacking it. Vectors have one description for all of their items."""

    def field_title_should_be_set(self, schema: Any) -> bool:
        return False

    def default_schema(self, schema: Any) -> JsonSchemaValue:
        return self.generate_inner(schema["schema"])

    def tuple_schema(self, schema: Any) -> JsonSchemaValue:
        made = super().tuple_schema(schema)
        items = made.get("prefixItems")
        if items and all(item == items[0] for item in items):
            del made["prefixItems"]
            made["items"] = items[0]
        return made


def schema_text(of: str = "datums") -> str:
    """The published JSON Schema (draft 2020-12) of the datum file, as text. The same version gives the same bytes.

    of  "datums", or "run" | "compare": what that command prints with --json

    >>> import json
    >>> schema = json.loads(schema_text())
    >>> schema["title"], schema["properties"]["cautions"]["items"]
    ('datumlift datum file', {'type': 'string'})
    """
    record, title = _PUBLISHED[of]
    return schema_of(record, of, SCHEMA_VERSION, title)


def schema_of(record: type[Record], of: str, version: str, title: str) -> str:
    """The JSON Schema (draft 2020-12) that a sort of record fulfils, as text; `of` and its version name it.

    >>> from pipeline.formats.datum_file.records import Units
    >>> "urn:datumlift:units:1.0" in schema_of(Units, "units", "1.0", "units")
    True
    """
    head = {"$schema": GenerateJsonSchema.schema_dialect, "$id": f"urn:datumlift:{of}:{version}"}
    made = record.model_json_schema(schema_generator=_Published)
    return json.dumps(head | made | {"title": title}, indent=2, ensure_ascii=False) + "\n"
