"""The published schema: made from the records, it refuses what the one kept by hand before it refused.

The judge is jsonschema (an independent validator of JSON Schema draft 2020-12).
"""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from pipeline.formats.datum_file import build, plain_data, schema_text
from tests.formats.datum_file.damages import DAMAGES
from tests.outcomes import outcome

DATA = plain_data(build(outcome()).model_copy(update={"files": ("datums.json",)}))
SCHEMA = json.loads(schema_text())
JUDGE = Draft202012Validator(SCHEMA)


def test_what_is_written_fulfils_it() -> None:
    Draft202012Validator.check_schema(SCHEMA)
    JUDGE.validate(DATA)
    assert SCHEMA["$schema"] == "https://json-schema.org/draft/2020-12/schema"


@pytest.mark.parametrize("damage", DAMAGES, ids=lambda damage: damage.__name__)
def test_it_refuses_what_a_reader_could_not_use(damage: Callable[[dict[str, Any]], None]) -> None:
    broken = copy.deepcopy(DATA)
    damage(broken)
    assert not JUDGE.is_valid(broken)


@pytest.mark.parametrize(
    "key", ["made_by", "title", "flanges", "suggestions", "square_up", "gaps", "proposals", "removals", "rejected"]
)
def test_what_is_not_of_the_contract_may_lack(key: str) -> None:
    JUDGE.validate({name: value for name, value in DATA.items() if name != key})


def test_more_may_be_added() -> None:
    features = [feature | {"colour": "red"} for feature in DATA["features"]]
    JUDGE.validate(DATA | {"features": features, "mood": {"of": "the day"}})


def test_every_key_is_described() -> None:
    records = [SCHEMA, *SCHEMA["$defs"].values()]
    assert len(records) > 30
    for record in records:
        for name, key in record["properties"].items():
            meant = SCHEMA["$defs"][key["$ref"].rpartition("/")[2]] if "$ref" in key else {}
            assert key.get("description") or meant.get("description"), (record.get("title"), name)
