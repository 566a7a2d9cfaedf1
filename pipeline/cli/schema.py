"""datumlift schema: the published shape of datums.json."""

from __future__ import annotations

import click


@click.command(short_help="Print the JSON Schema of the datum file.")
def command() -> None:
    """Print the JSON Schema (draft 2020-12) that every datums.json of this version fulfils."""
    from pipeline.formats.datum_file import schema_text

    click.echo(schema_text(), nl=False)
