"""datumlift schema prints the published schema."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner
from jsonschema import Draft202012Validator

from pipeline.cli.schema import command
from pipeline.formats.datum_file import schema_text


def test_the_command_prints_the_schema() -> None:
    printed = CliRunner().invoke(command)
    assert printed.exit_code == 0
    assert printed.output == schema_text()
    assert json.loads(printed.output)["$defs"]["Units"]["properties"]["length"]["const"] == "mm"


@pytest.mark.parametrize("of", ["run", "compare"])
def test_it_prints_what_the_commands_that_print_json_fulfil(of: str) -> None:
    schema = json.loads(CliRunner().invoke(command, [of]).output)
    Draft202012Validator.check_schema(schema)
    assert schema["$id"] == f"urn:datumlift:{of}:1.0"
    assert "within_budget" in schema["properties"]
    assert "within_budget" not in schema["required"]


def test_another_word_is_refused() -> None:
    assert CliRunner().invoke(command, ["report"]).exit_code == 2
