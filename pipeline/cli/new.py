"""datumlift new: look at a scan and write a job file to start from."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.cli.show import stage_progress
from pipeline.errors import OutputError
from pipeline.files import write_whole

if TYPE_CHECKING:
    from pipeline.values import ReadResult, Surface

SHOWN_GAPS = 12

# What can be set, each with a line on what it does.
_SETTINGS = """\
[read]
units = {unit}                           # mm, cm, m, in; auto: what the file states, else mm

[clean]
debris_share = 0.005                    # shells under this share of the whole area are removed
# What is not the part: facets in these zones are left out. Shapes: box (low, high), cylinder (start,
# end, radius), sphere (centre, radius), half-space (point, direction), inside (feature, beyond).
# Points in this file are in part coordinates, as the report of the last run shows them; before there is
# one, or for the scan's own coordinates, write "scan: [x, y, z]".
# [[clean.exclude]]
# shape = "sphere"
# centre = [0.0, 0.0, 0.0]
# radius = 10.0

[recover]
coating_thickness = 0.0                 # matting spray on every face: bores measure small, bosses big

# A size measured on the real part: the run says whether scan and measurement agree, and refuses a size
# that can't be that feature's.
# [[caliper]]
# near = [0.0, 0.0, 0.0]                # or feature = "its id in datums.json"
# diameter = 50.0
# uncertainty = 0.01

# A feature fitted again with what you vouch for; the run says where the scan contradicts it.
# [[refit]]
# feature = "its id in datums.json"
# square_to = "another feature's id"    # or parallel_to
# radius = 25.0                         # instead, or besides

# [names]                               # what the outputs call a feature
# "a feature's id from datums.json" = "seal bore"

[fill]
close = "safe"                          # "none" leaves every gap open
watertight = false                      # true caps even real openings, flat and marked

# [frame]                               # default: proposed from the largest machined faces and bores
# A = "bore nearest [0.0, 0.0, 0.0]"    # primary: so, or a feature's id from datums.json
# B = "secondary"
# C = "tertiary"

[lighten]
facets = 100000                         # to a count ...
# tolerance = 0.02                      # ... or to a deviation; with both, whichever binds

[audit]                                 # promises; a broken one gives exit status 3
# max_deviation = 0.1
# max_axis_shift = 0.005
# max_radius_change = 0.005
"""


@click.command(short_help="A commented job file for a scan.")
@click.argument("scan", type=click.Path(path_type=Path))
@click.option("--units", type=click.Choice(["mm", "cm", "m", "in"]), help="The unit of the scan's coordinates.")
@click.option(
    "--job",
    "job_file",
    type=click.Path(path_type=Path),
    help="Where to write; default: SCAN's name with .toml.",
)
@click.option("--quiet", is_flag=True, help="No progress; errors only.")
def command(scan: Path, units: str | None, job_file: Path | None, quiet: bool) -> int:
    """Look at SCAN and write a commented job file with what was seen: unit, size, facets, noise, gaps."""
    from pipeline.job import ReadSettings
    from pipeline.stages.read import read

    target = job_file or scan.with_suffix(".toml")
    if target.exists():
        raise OutputError(f"{target} is there already and was left alone; give another name with --job.")
    settings = ReadSettings.model_validate({"units": units or "auto"})
    with stage_progress(quiet)("read") as progress:
        seen = read(scan, settings, progress)
    write_whole(target, job_text(scan, target, seen), "choose another place with --job")
    if not quiet:
        for caution in seen.cautions:
            click.echo(f"caution  {caution}")
        click.echo(f"wrote {target}; look through it, then: datumlift run {target}")
    return 0


def job_text(scan: Path, target: Path, seen: ReadResult) -> str:
    """The job file's text: settings that can be changed, each with a line on what it does."""
    import tomlkit

    source = seen.source
    size = [high - low for low, high in zip(*source.bounds, strict=True)]
    unit = source.unit if source.unit in ("mm", "cm", "m", "in") else "auto"
    place = Path(os.path.relpath(scan.resolve(), target.resolve().parent)).as_posix()
    gaps = "\n".join(f"#   {line}" for line in gap_lines(seen.surface))
    cautions = "".join(f"# CAUTION: {text}\n" for text in seen.cautions)
    return f"""\
# Job for datumlift. Lengths in mm, angles in degrees. A line that starts with # is not read.
#
# Seen in {scan.name}:
#   {source.facets:,} facets, {source.vertices:,} vertices
#   {size[0]:.2f} x {size[1]:.2f} x {size[2]:.2f} mm when its unit is taken as {source.unit}
#   noise about {1000 * source.noise_sigma:.0f} um, mean edge {source.mean_edge:.3f} mm
{gaps}
{cautions}
scan = {tomlkit.item(place).as_string()}
# out = "where the outputs go"          # default: beside the scan, named after it
# title = "what stands on the report"

""" + _SETTINGS.format(unit=tomlkit.item(unit).as_string())


def gap_lines(surface: Surface) -> list[str]:
    """One line a boundary loop, longest first."""
    from pipeline.geometry import side_lengths
    from pipeline.mesh.topology import boundary_loops

    found = []
    for loop in boundary_loops(surface.faces, len(surface.vertices)):
        points = surface.vertices[loop]
        length = float(side_lengths(points).sum())
        found.append((length, points.mean(axis=0)))
    if not found:
        return ["no gaps: the surface is closed"]
    found.sort(key=lambda gap: -gap[0])
    lines = ["1 gap or border:" if len(found) == 1 else f"{len(found)} gaps or borders:"]
    for length, c in found[:SHOWN_GAPS]:
        lines.append(f"  rim {length:.1f} mm round scan: [{c[0]:.1f}, {c[1]:.1f}, {c[2]:.1f}]")
    if len(found) > SHOWN_GAPS:
        lines.append(f"  and {len(found) - SHOWN_GAPS} smaller ones")
    return lines
