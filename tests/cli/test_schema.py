"""datumlift schema prints the published schema."""

from __future__ import annotations

import json

from click.testing import CliRunner

from pipeline.cli.schema import command
from pipeline.formats.datum_file import schema_text


def test_the_command_prints_the_schema() -> None:
    printed = CliRunner().invoke(command)
    assert printed.exit_code == 0
    assert printed.output == schema_text()
    assert json.loads(printed.output)["$defs"]["Units"]["properties"]["length"]["const"] == "mm"
