"""datumlift fit: placed parts, and whether they clear each other."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.cli import show

if TYPE_CHECKING:
    from pipeline.fitup import Clearance, Fit, Placed


@click.command(short_help="Place parts by a layout file, and tell whether they clear each other.")
@click.argument("layout", type=click.Path(path_type=Path), metavar="LAYOUT.toml")
@click.option(
    "--out", type=click.Path(path_type=Path), help="Output folder; default: beside the layout, named after it."
)
@click.option("--json", "as_json", is_flag=True, help="Print fit.json instead of the summary.")
@click.option("--quiet", is_flag=True, help="No progress and no summary; errors only.")
def command(layout: Path, out: Path | None, as_json: bool, quiet: bool) -> int:
    """Place the parts of LAYOUT.toml and answer what it asks: where parts are nearest to each other, how sure that is,
    and what a bore and what stands in it leave between them.

    Writes fit.json and the parts in place, placed.glb, into the output folder. Exit status: 0 done, 2 unusable input,
    3 a clearance is not held or can't be told.
    """
    from pipeline.cli.main import EXIT_BUDGET
    from pipeline.fitup import clearance
    from pipeline.formats.datum_file import text_of
    from pipeline.formats.fit_file import fit_record
    from pipeline.formats.meshes_out import write_parts_glb
    from pipeline.formats.parts_in import placed_parts
    from pipeline.layout import load_layout
    from pipeline.output_folder import opened

    read = load_layout(layout)
    watch = show.stage_progress(quiet or as_json)
    with watch("place") as progress:
        parts = placed_parts(read, progress)
    answers = []
    with watch("clearance") as progress:
        for number, question in enumerate(read.clearance):
            progress(number / len(read.clearance), " and ".join(question.between))
            one, other = (parts[name] for name in question.between)
            answers.append((question, clearance(one, other, question.least)))
    record = fit_record(layout.name, parts, answers)
    inputs = [layout, *(part.file for part in read.part.values() if part.file is not None)]
    with opened(out or layout.with_suffix(""), inputs) as folder:
        meshes = {name: (part.vertices, part.body.surface.faces) for name, part in parts.items()}
        write_parts_glb(folder.room / "placed.glb", meshes)
        (folder.room / "fit.json").write_text(text_of(record), encoding="utf-8")
        folder.put({name: folder.room / name for name in ("placed.glb", "fit.json")})
        told = folder.told
    if as_json:
        click.echo(text_of(record), nl=False)
    elif not quiet:
        lines = [line for name, part in parts.items() for line in placing_lines(name, part)]
        lines += [line for question, found in answers for line in clearance_lines(question.between, found)]
        lines += [f"caution    {text}" for text in told]
        click.echo("\n".join([*lines, f"output     {out or layout.with_suffix('')}"]))
    return 0 if record.held else EXIT_BUDGET


def placing_lines(name: str, part: Placed) -> list[str]:
    """Where a part stands, for people."""
    x, y, z = part.pose.matrix[:3, 3]
    free = f"; free: {', '.join(part.pose.free)}" if part.pose.taken and part.pose.free else ""
    lines = [f"part       {name}: origin at [{x:.3f}, {y:.3f}, {z:.3f}]{free}"]
    for left in part.pose.left:
        lines.append(f"           {left.words}: stays {left.shift:.3f} mm and {left.angle:.5f} rad off")
    return lines


def clearance_lines(between: tuple[str, str], found: Clearance) -> list[str]:
    """What is said of two parts, for people."""
    lines = [f"clearance  {between[0]}, {between[1]}: {found.verdict}: {found.why}"]
    if found.spot is not None:
        spots = zip(between, found.spot.places, found.spot.on, strict=True)
        lines.append(
            "           at "
            + ", ".join(f"[{p[0]:.2f}, {p[1]:.2f}, {p[2]:.2f}] on {name} {on or 'skin'}" for name, p, on in spots)
        )
        lines += [f"           {term.kind} {term.size:.4f} mm: {term.name}" for term in found.spot.terms]
    return [*lines, *map(_fit_line, found.fits)]


def _fit_line(fit: Fit) -> str:
    doubt = "" if fit.expanded is None else f", +-{fit.expanded:.3f} (95 %)"
    kind = "play" if fit.play >= 0 else "interference"
    return (
        f"fit        {' '.join(fit.inner)} in {' '.join(fit.bore)}: {kind} {abs(fit.play):.3f} mm of the diameters"
        f"{doubt}, over {fit.overlap:.1f} mm; axes {fit.eccentric:.3f} mm apart"
    )
