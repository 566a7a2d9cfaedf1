"""datumlift schema: the published shape of datums.json, and of what commands print with --json."""

from __future__ import annotations

import click


class _Of(click.ParamType):
    """One of the schemas there are; their names are asked for only when one is wanted."""

    name = "schema"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> str:
        from pipeline.formats.datum_file import SCHEMAS

        return str(click.Choice(SCHEMAS).convert(str(value), param, ctx))


@click.command(short_help="Print the JSON Schema of the datum file.")
@click.argument("of", type=_Of(), default="datums", metavar="[datums|run|compare]")
def command(of: str) -> None:
    """Print the JSON Schema (draft 2020-12) that every datums.json of this version fulfils, or that of what
    `run --json` or `compare --json` prints."""
    from pipeline.formats.datum_file import schema_text

    click.echo(schema_text(of), nl=False)
