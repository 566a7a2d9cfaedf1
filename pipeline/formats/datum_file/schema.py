"""The JSON Schema (draft 2020-12) of the datum file, made from its records."""

from __future__ import annotations

import json
from typing import Any

from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue

from pipeline.formats.datum_file.records import SCHEMA_VERSION, DatumFile


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


def schema_text() -> str:
    """The published JSON Schema of the datum file, as text."""
    head = {"$schema": GenerateJsonSchema.schema_dialect, "$id": f"urn:datumlift:datums:{SCHEMA_VERSION}"}
    made = DatumFile.model_json_schema(schema_generator=_Published)
    return json.dumps(head | made | {"title": "datumlift datum file"}, indent=2, ensure_ascii=False) + "\n"
