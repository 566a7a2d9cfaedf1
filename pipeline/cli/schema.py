"""datumlift schema: the published shape of datums.json, and of what commands print with --json."""

from __future__ import annotations

import click


class _Of(click.ParamType):
    """One of the schemas there are; their names are asked for only when one is wanted."""

    name = "schema"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> str:
        from pipeline.formats.datum_file import SCHEMAS

        return str(click.Choice((*SCHEMAS, "fit", "check", "batch")).convert(str(value), param, ctx))


@click.command(short_help="Print the JSON Schema of the datum file.")
@click.argument("of", type=_Of(), default="datums", metavar="[datums|run|compare|fit|check|batch]")
def command(of: str) -> None:
    """Print the JSON Schema (draft 2020-12) that every datums.json of this version fulfils, or that of what
    `run --json` or `compare --json` prints, or that of
    fit.json, check.json or batch.json."""
    from pipeline.formats.batch_file import batch_schema_text
    from pipeline.formats.check_file import check_schema_text
    from pipeline.formats.datum_file import schema_text
    from pipeline.formats.fit_file import fit_schema_text

    other = {"fit": fit_schema_text, "check": check_schema_text, "batch": batch_schema_text}
    click.echo(other[of]() if of in other else schema_text(of), nl=False)
