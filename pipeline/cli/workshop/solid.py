"""datumlift solid: part.step, a solid with true bores and faces, from the folder of a run."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.cli.terminal import Figure, Place, stage_progress

if TYPE_CHECKING:
    from pipeline.formats.datum_file import DatumFile
    from pipeline.formats.solid import PartReport


@click.command(short_help="Make a solid with true bores and faces of a run.")
@click.argument("folder", type=Place(), metavar="FOLDER")
@click.option("--skin", type=Figure(), help="How coarse the skin may be, mm; default: the job's.")
@click.option("--schema", type=click.Choice(["AP242", "AP214"]), default="AP242", help="The STEP schema.")
@click.option(
    "--unsure",
    type=click.Choice(["faces", "skin"]),
    help="Features of low confidence: faces of a colour of their own, or left as skin; default: the job's.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the figures as one JSON object.")
@click.option("--quiet", is_flag=True, help="No progress and no summary; errors only.")
def command(
    folder: Path, skin: float | None, schema: str, unsure: str | None, as_json: bool, quiet: bool
) -> None:  # fmt: skip
    """Write part.step into FOLDER, the output folder of a run: one closed solid in part coordinates whose recovered
    faces are exact and whose skin is coarse. What it came to is told, and kept in datums.json.
    """
    data, report = make(folder, skin, schema, unsure, quiet or as_json)
    if as_json:
        from pipeline.formats.datum_file import text_of

        click.echo(text_of(report.record), nl=False)
    elif not quiet:
        click.echo("\n".join(lines_of(data, report, folder)))


def make(
    folder: Path, skin: float | None, schema: str, unsure: str | None, quiet: bool
) -> tuple[DatumFile, PartReport]:  # fmt: skip
    """Make the solid of a run's folder and write it and the datum file; both as they are now."""
    from pipeline.errors import OutputError
    from pipeline.formats.datum_file import text_of
    from pipeline.formats.parts_in import read_run
    from pipeline.formats.solid import NAME, make_part, with_solid
    from pipeline.job import load_job
    from pipeline.output_folder import opened
    from pipeline.palette import feature_looks, look_colour

    data, in_part, labels = read_run(folder)
    job = load_job(folder / "job.toml").export if (folder / "job.toml").exists() else None
    with opened(folder, inputs=(folder / "light-scan.ply",)) as output:
        try:
            with stage_progress(quiet)("solid") as progress:
                report = make_part(
                    output.room / NAME,
                    data,
                    in_part,
                    labels,
                    skin or (job.skin if job is not None else 0.5),
                    schema=schema,
                    unsure=unsure or (job.unsure if job is not None else "faces"),
                    colours={name: look_colour(name) for name in feature_looks()},
                    progress=progress,
                )
        except OSError as error:
            raise OutputError(
                f"{folder / NAME} can't be written ({error.strerror or error}); free some space or check the folder."
            ) from None
        output.put({NAME: output.room / NAME})
        data = with_solid(data, report)
        output.put_text("datums.json", text_of(data))
    for told in output.told:
        click.echo(f"caution  {told}", err=True)
    return data, report


def lines_of(data: DatumFile, report: PartReport, folder: Path) -> list[str]:
    """What the solid came to, for people."""
    made = report.record
    shares = {share.kind: share for share in made.by_kind}
    skin = shares["skin"].faces if "skin" in shares else 0
    state = "closed solid" if made.closed else "OPEN SHELL"
    lines = [
        f"part     {state}, {'valid' if made.valid else 'NOT VALID'} by the CAD kernel; {made.faces:,} faces, of which "
        f"{skin:,} skin",
        f"exact    {len(made.features)} of {len(data.features)} features have exact faces, edges within "
        f"{1000 * made.largest_tolerance:.3f} um",
        f"skin     within {made.skin_held:.3f} mm of the light mesh ({made.skin:g} asked)",
    ]
    if made.edges_cut_off is not None and made.skin_held_at_edges is not None:
        lines.append(
            f"edges    of the skin: {made.skin_held_at_edges:.3f} mm within the light mesh, where the scan may have "
            f"cut off {made.edges_cut_off:.3f} mm"
        )
    if made.volume is not None and made.volume_of_light_mesh is not None:
        lines.append(f"volume   {made.volume:,.0f} mm3; light mesh {made.volume_of_light_mesh:,.0f} mm3")
    lines += [f"caution  {text}" for text in report.cautions]
    return [*lines, f"output   {folder / made.file} ({made.bytes / 1e6:.1f} MB)"]
