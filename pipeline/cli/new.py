"""datumlift new: look at a scan and write a job file to start from."""

from __future__ import annotations

import os
import shlex
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.cli.terminal import Place, stage_progress
from pipeline.errors import InputError, OutputError
from pipeline.files import write_new
from pipeline.lengths import in_unit

if TYPE_CHECKING:
    from pipeline.formats.datum_file import DatumFile, GapRecord
    from pipeline.values import ReadResult, Surface

SHOWN_GAPS = 12
SHOWN_NAMES = 60

# What can be set, each with a line on what it does.
_SETTINGS = """\
[read]
units = {unit}                           # mm, cm, m, in; auto: what the file states, else mm
# scale_uncertainty = 0.05              # mm per m, standard (k = 1): the scanner's own scale, by its calibration

[clean]
debris_share = 0.005                    # shells under this share of the whole area are removed
# What is not the part: facets in these zones are left out. Shapes: box (low, high), cylinder (start,
# end, radius), sphere (centre, radius), half-space (point, direction), inside (feature, beyond).
# Points in this file are in part coordinates, as the report of the last run shows them; before there is
# one, or for the scan's own coordinates, write "scan: [x, y, z]".
{zones}

[recover]
coating_thickness = 0.0                 # matting spray on every face: bores measure small, outside diameters big

# A size measured on the real part: the run says whether scan and measurement agree, and refuses a size
# that can't be that feature's.
# [[measured]]
# what = "diameter"                     # or "distance", "thickness" of two: features = ["F1", "F2"]
# features = ["{feature}"]
# value = 50.0                          # mm; or "1.9685 in"
# uncertainty = 0.004                   # of measuring, standard (k = 1): yours, nothing is taken for granted
# instrument = "bore gauge, 3 depths, 2 directions"

# A feature fitted again with what you vouch for; the run says where the scan contradicts it.
# [[refit]]
# feature = "{feature}"
# square_to = "{other}"    # or parallel_to
# radius = 25.0                         # instead, or besides

{names}

[fill]
close = "safe"                          # "none" leaves every gap open
ask_above = 100.0                       # mm2; a larger gap that may be real is proposed for closing, not closed
watertight = false                      # true caps even real openings, flat and marked
{gaps}

{frame}

[lighten]
facets = 100000                         # to a count ...
# tolerance = 0.02                      # ... or to a deviation; with both, whichever binds

[audit]                                 # promises; a broken one gives exit status 3
# max_deviation = 0.1
# max_axis_shift = 0.005
# max_radius_change = 0.005
"""
# What set-ups can be laid on each other by.
_BALLS = (
    "# Reference balls, stuck to the part or to a frame clamped to it: three in every scan, four to check each other.",
    "# [[ball]]",
    "# diameter = 20.0",
    "# uncertainty = 0.002                   # standard (k = 1)",
    "# count = 4",
    "",
)
# What stands there as long as no run has told.
_UNSEEN = {
    "feature": "its number in the report",
    "other": "another feature's number",
    "zones": """\
# [[clean.exclude]]
# shape = "sphere"
# centre = [0.0, 0.0, 0.0]
# radius = 10.0""",
    "names": """\
# [names]                               # what the outputs call a feature
# "a feature's number" = "seal bore\"""",
    "gaps": """\
# [[fill.gaps]]
# id = "a gap's id from the report"
# do = "leave"                          # or "close", "cap\"""",
    "frame": """\
# [frame]                               # default: proposed from the largest machined faces and bores
# A = "bore nearest [0.0, 0.0, 0.0]"    # primary: so, or a feature's number from the report
# B = "secondary"
# C = "tertiary\"""",
}


@click.command(short_help="A commented job file for a scan.")
@click.argument("scan", type=Place())
@click.argument("further", nargs=-1, type=Place(), metavar="[SCAN]...")
@click.option("--units", type=click.Choice(["mm", "cm", "m", "in"]), help="The unit of the scan's coordinates.")
@click.option(
    "--job",
    "job_file",
    type=Place(),
    help="Where to write; default: SCAN's name with .toml.",
)
@click.option("--out", type=Place(), help="Output folder of an earlier run; default: run's own.")
@click.option("--quiet", is_flag=True, help="No progress; errors only.")
def command(
    scan: Path, further: tuple[Path, ...], units: str | None, job_file: Path | None, out: Path | None, quiet: bool
) -> int:
    """Look at SCAN and write a commented job file with what was seen: unit, size, facets, noise, gaps.

    Where an earlier run of the scan has left its outputs, the features to name, what may not be the part, the gaps
    and the datums are filled in from there. Further scans of the part, from other sides, are named in it.
    """
    from pipeline.formats.meshes_in import form_of
    from pipeline.job import ReadSettings
    from pipeline.stages.read import read

    for path in further:
        form_of(path)
    target = job_file or scan.with_suffix(".toml")
    if os.path.lexists(target):
        raise OutputError(f"{target} is there already and was left alone; give another name with --job.")
    settings = ReadSettings.model_validate({"units": units or "auto"})
    with stage_progress(quiet)("read") as progress:
        seen = read(scan, settings, progress)
    known = _known_from(scan, out, seen)
    write_new(target, job_text(scan, target, seen, known, out, further), "give another name with --job")
    if not quiet:
        for caution in seen.cautions:
            click.echo(in_unit(f"caution  {caution}", "mm"))
        told = "with what the last run found; " if known else ""
        click.echo(f"wrote    {target}, {told}the lines with # are choices that are yours")
        click.echo(f"next     edit it, then: datumlift run {shlex.quote(str(target))}")
        if not known:
            scanned = " ".join(shlex.quote(str(path)) for path in (scan, *further))
            click.echo(
                f"         (after a datumlift run {scanned}, new would fill in all that there is to choose from)"
            )
    return 0


def _known_from(scan: Path, out: Path | None, seen: ReadResult) -> DatumFile | None:
    """What a run of this very scan has found; None where there is none, an error where one was asked for."""
    from pipeline.formats.datum_file import read_datums
    from pipeline.runner import default_out

    path = (out or default_out(scan)) / "datums.json"
    if out is None and not path.is_file():
        return None
    found = read_datums(path)
    if found.source.sha256 != seen.source.sha256:
        if out is None:
            return None
        raise InputError(f"{path} is of another scan, {found.source.file}; give the folder of a run of {scan}.")
    return found


def job_text(
    scan: Path,
    target: Path,
    seen: ReadResult,
    known: DatumFile | None = None,
    out: Path | None = None,
    further: tuple[Path, ...] = (),
) -> str:
    """The job file's text: settings that can be changed, each with a line on what it does.

    known    what a run of the scan found; `out` its folder where that isn't the usual one
    further  scans of the part from other sides
    """
    import tomlkit

    source = seen.source
    size = [high - low for low, high in zip(*source.bounds, strict=True)]
    unit = source.unit if source.unit in ("mm", "cm", "m", "in") else "auto"
    base = target.resolve().parent
    place, folder, *others = (
        Path(os.path.relpath(p.resolve(), base)).as_posix() for p in (scan, out or scan, *further)
    )
    gaps = [] if known else [f"#   {line}" for line in gap_lines(seen.surface)]
    cautions = [in_unit(f"# CAUTION: {text}", "mm") for text in seen.cautions]
    goes = (
        f"out = {tomlkit.item(folder).as_string()}"
        if out
        else '# out = "where the outputs go"          # default: beside the scan, named after it'
    )
    head = [
        "# Job for datumlift. Lengths in mm, angles in degrees. A line that starts with # is not read.",
        "#",
        f"# Seen in {scan.name}:",
        f"#   {source.facets:,} facets, {source.vertices:,} vertices",
        f"#   {size[0]:.2f} x {size[1]:.2f} x {size[2]:.2f} mm when its unit is taken as {source.unit}",
        f"#   noise about {1000 * source.noise_sigma:.0f} um, mean edge {source.mean_edge:.3f} mm",
        *gaps,
        *cautions,
        "",
        f"scan = {tomlkit.item(place).as_string()}",
        goes,
        '# title = "what stands on the report"',
        "",
        *(line for other in others for line in ("[[set_up]]", f"scan = {tomlkit.item(other).as_string()}", "")),
        *(_BALLS if others else ()),
    ]
    parts = _UNSEEN if known is None else {**_UNSEEN, **found_parts(known)}
    return "\n".join([*head, _SETTINGS.format(unit=tomlkit.item(unit).as_string(), **parts)])


def found_parts(known: DatumFile) -> dict[str, str]:
    """What a run found, as the parts of a job file; all but the frame as comments, so that nothing is decided yet."""
    from pipeline.job import zone_text

    parts = {"names": _names(known), "frame": _frame(known)}
    sure = [f.id for f in known.features if f.radius and f.confidence == "good"]
    if len(sure) > 1:
        parts["feature"], parts["other"] = sure[:2]
    if known.proposals:
        parts["zones"] = "\n".join(
            f"# {p.what}, {p.area:,.0f} mm2: {p.reason}\n" + _commented(zone_text(p.zone)) for p in known.proposals
        )
    if known.gaps:
        parts["gaps"] = "\n".join(
            f"# {g.kind}, now {g.done}{_at(g)}{'; ' + g.note if g.note else ''}\n# [[fill.gaps]]\n"
            f'# id = "{g.id}"\n# do = "{"leave" if g.done == "closed" else "cap"}"'
            for g in known.gaps
        )
    return parts


def _at(gap: GapRecord) -> str:
    return f", rim {gap.length:.1f} mm" if gap.length is not None else ""


def _commented(text: str) -> str:
    return "\n".join(f"# {line}" for line in text.strip().splitlines())


def _names(known: DatumFile) -> str:
    """Every feature that can be relied on, with what it is and where: a name to be put in."""
    import tomlkit

    from pipeline.features.naming import term_of

    named = {f.id: f.name for f in known.features if f.name}
    sure = [f for f in known.features if f.id not in named and f.confidence == "good"]
    lines = [f"{'' if named else '# '}[names]                               # what the outputs call a feature"]
    lines += [f"{tomlkit.item(i).as_string()} = {tomlkit.item(name).as_string()}" for i, name in named.items()]
    for f in sure[:SHOWN_NAMES]:
        x, y, z = f.in_part_frame.point
        what = term_of(f)
        size = f" D{2 * f.radius:.2f}" if f.radius else f" {f.extent.area:,.0f} mm2"
        lines.append(f'# "{f.id}" = "..."  # {what}{size} at part {x:z.1f}, {y:z.1f}, {z:z.1f}')
    if len(sure) > SHOWN_NAMES:
        lines.append(f"# and {len(sure) - SHOWN_NAMES} more, see features.csv")
    return "\n".join(lines)


def _frame(known: DatumFile) -> str:
    """The frame as it was, so that a change elsewhere doesn't move it, and the best one that the part offers."""
    import tomlkit

    def table(datums: Iterable[tuple[str, str]], mark: str = "") -> list[str]:
        return [f"{mark}{letter} = {tomlkit.item(feature).as_string()}" for letter, feature in datums]

    frame = known.frame
    if not frame.datums:
        return _UNSEEN["frame"]
    lines = ["[frame]                                 # that of the last run" + _puts(frame.error)]
    lines += table((d.letter, d.feature) for d in frame.datums[:3])
    better = [c for c in frame.others or () if c.complete and c.error is not None]
    if better and frame.error is not None:
        best = min(better, key=lambda c: c.error or 0.0)
        if _puts(best.error) != _puts(frame.error) and (best.error or 0.0) < frame.error:
            lines.append(
                "# Another choice moves all part coordinates; the best that the part offers" + _puts(best.error)
            )
            lines += table(best.datums.items(), "# ")
    return "\n".join(lines)


def _puts(error: float | None) -> str:
    return "" if error is None else f": puts {1000 * error:.0f} um (k = 1, mean over the features) into places"


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
