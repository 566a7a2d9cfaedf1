"""datumlift fit: placed parts, and what a layout asks of them."""

from __future__ import annotations

from pathlib import Path

import click

from pipeline.cli.terminal import EXIT_BUDGET, Place, stage_progress


@click.command(short_help="Place parts by a layout file, and tell whether they clear each other.")
@click.argument("layout", type=Place(), metavar="LAYOUT.toml")
@click.option("--out", type=Place(), help="Output folder; default: beside the layout, named after it.")
@click.option("--fresh", is_flag=True, help="Answer everything anew, whatever an earlier run left.")
@click.option("--json", "as_json", is_flag=True, help="Print fit.json instead of the summary.")
@click.option("--quiet", is_flag=True, help="No progress and no summary; errors only.")
def command(layout: Path, out: Path | None, fresh: bool, as_json: bool, quiet: bool) -> int:
    """Place the parts of LAYOUT.toml and answer what it asks: where parts are nearest to each other, how far they
    can be moved, what a turning part reaches, what cuts take and leave, how sure that is, and what a bore and what
    stands in it leave between them.

    Writes fit.html, fit.json, the parts in place (placed.glb, placed.3mf) and sections through the places that the
    answers hang on (section-*.dxf) into the output folder. A second run asks anew only where a question, or a part that
    it looks at, has changed. Exit status: 0 done, 2 unusable input, 3 something asked for is not held or can't be told.
    """
    return answer(layout, out or layout.with_suffix(""), as_json, quiet, fresh)


def answer(layout: Path, out: Path, as_json: bool, quiet: bool, fresh: bool = False) -> int:
    """Answer a layout, write what was found and tell it; the exit status."""
    from pipeline.errors import DatumliftError
    from pipeline.formats.datum_file import text_of
    from pipeline.layout import load_layout
    from pipeline.questions import Shelf, fit_up, write_fit
    from pipeline.runner import code_digest

    read = load_layout(layout)
    inputs = [layout, *(part.file for part in read.part.values() if part.file is not None)]
    shelf = Shelf(out, inputs, code_digest(), fresh)
    try:
        found = fit_up(read, layout.name, stage_progress(quiet or as_json), shelf)
    except DatumliftError:
        shelf.undo()
        raise
    told = write_fit(found, out, inputs)
    shelf.tidy()
    if as_json:
        click.echo(text_of(found.record), nl=False)
    elif not quiet:
        click.echo("\n".join([*found.lines, *(f"caution    {text}" for text in told), f"output     {out}"]))
    return 0 if found.record.held else EXIT_BUDGET
