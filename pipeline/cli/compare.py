"""datumlift compare: audit any two meshes against each other."""

from __future__ import annotations

import json
import math
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipeline.cli.terminal import EXIT_BUDGET, Figure, Place, budgeted, stage_progress, um
from pipeline.lengths import in_unit, mm, mm2, place_in_mm

if TYPE_CHECKING:
    from pipeline.values import Audit, BudgetLine


def budget_options(function: Any) -> Any:
    """The four promises of a budget, as options."""
    for name, help_ in (
        ("--max-tilt", "Largest tilt of a feature, degrees."),
        ("--max-radius-change", "Largest change of a radius, mm."),
        ("--max-axis-shift", "Largest shift of an axis, a centre or a face, mm."),
        ("--max-deviation", "Largest distance between the two, scan noise removed, mm."),
    ):
        function = click.option(name, type=Figure(), help=help_)(function)
    return function


@click.command(short_help="Audit any two meshes against each other.")
@click.argument("scan", type=Place(), metavar="SCAN")
@click.argument("light", type=Place(), metavar="LIGHT")
@click.option("--align", is_flag=True, help="Lay LIGHT onto SCAN by what both show, and print the 4x4.")
@click.option(
    "--units",
    type=click.Choice(["mm", "cm", "m", "in"]),
    help="The unit of SCAN; LIGHT's, if it states none. Of a scan in inches all is told in inches.",
)
@budget_options
@click.option("--second-opinion", is_flag=True, help="Have pymeshlab measure the distances as well.")
@click.option("--json", "as_json", is_flag=True, help="Print the audit as one JSON object.")
@click.option("--quiet", is_flag=True, help="No progress.")
def command(
    scan: Path,
    light: Path,
    align: bool,
    units: str | None,
    max_deviation: float | None,
    max_axis_shift: float | None,
    max_radius_change: float | None,
    max_tilt: float | None,
    second_opinion: bool,
    as_json: bool,
    quiet: bool,
) -> int:
    """Find the features of SCAN, fit each anew on LIGHT, and measure the distance both ways.

    LIGHT may come from anywhere; it brings no labels, so its facets are matched to SCAN's features by
    nearness. Of a PLY that a run wrote, as SCAN or as LIGHT, only the measured facets are judged: how far the
    filled ones of LIGHT lie from SCAN is told apart. Coordinates are SCAN's; a light mesh in part coordinates
    wants --align: LIGHT is recovered too, laid on SCAN by what both show, and each figure says what is open of
    it by that. Where nothing tells one place, it is laid where its facets fit best, with a caution. Exit
    status: 0 done, 2 unusable input, 3 done but a promise of the budget is broken.
    """
    from pipeline.formats.datum_file import comparison_record, plain_data
    from pipeline.formats.meshes_out import write_stl
    from pipeline.job import AuditSettings, make_job
    from pipeline.runner import run
    from pipeline.stages.audit import compare
    from pipeline.stages.join import scan_of
    from pipeline.stages.read import read_in_mm
    from pipeline.values import FILLED

    settings = AuditSettings(
        max_deviation=max_deviation,
        max_axis_shift=max_axis_shift,
        max_radius_change=max_radius_change,
        max_tilt=max_tilt,
        second_opinion=second_opinion,
    )
    watch = stage_progress(quiet or as_json)
    reading = {"units": units} if units else {}
    with watch("light") as progress:
        other = read_in_mm(light, units, progress)
    with tempfile.TemporaryDirectory(prefix="datumlift-") as folder:
        known = run(make_job({"scan": scan, "read": reading}), out=folder, until="recover", progress=watch)
        lying = None
        if align:
            # As it was read: in mm, whatever its own unit, and without what was filled.
            seen = Path(folder) / "seen" / f"{light.stem}.stl"
            seen.parent.mkdir()
            write_stl(seen, other.vertices, other.faces[other.origin != FILLED], "mm")
            found = run(make_job({"scan": seen}), out=Path(folder) / "light", until="recover", progress=watch)
            lying = scan_of(known.clean, known.recover), scan_of(found.clean, found.recover)
        with watch("compare") as progress:
            audit = compare(known.clean, known.recover, known.source, other, settings, aligned=lying, progress=progress)
        cautions = tuple(dict.fromkeys([*known.cautions, *audit.cautions]))
    audit = replace(audit, cautions=cautions)
    if as_json:
        click.echo(json.dumps(plain_data(comparison_record(audit))))
    else:
        told = "in" if known.source.unit == "in" else "mm"
        click.echo(in_unit("\n".join([*as_lines(audit), *alignment_lines(audit)]), told))
    return 0 if audit.within_budget else EXIT_BUDGET


def as_lines(audit: Audit) -> list[str]:
    """The audit in words: distances, features that changed, the budget."""
    from pipeline.features.naming import NOISE_REMOVED

    forth, back = audit.noise_aside or (audit.scan_to_light, audit.light_to_scan)
    lines = [
        f"facets   {audit.facets_before:,} against {audit.facets_after:,}",
        f"scan's own noise {um(audit.noise_sigma)}",
    ]
    ways = [
        ("scan to light, as measured", audit.scan_to_light),
        ("light to scan, as measured", audit.light_to_scan),
        (f"scan to light, {NOISE_REMOVED}", forth),
        (f"light to scan, {NOISE_REMOVED}", back),
    ]
    if audit.second_opinion is not None:
        ways += [
            ("scan to light, second opinion", audit.second_opinion.scan_to_light),
            ("light to scan, second opinion", audit.second_opinion.light_to_scan),
        ]
    for name, d in ways:
        laid = "" if d.by_pose is None else f" +-{um(d.by_pose)} by where LIGHT lies (95 %)"
        lines.append(
            f"{name}: mean {um(d.mean)}, rms {um(d.rms)}, p99 {um(d.p99)}, max {um(d.max)}{laid} "
            f"at scan: {place_in_mm(d.where)}"
        )
    if audit.filled is not None:
        lines.append(
            f"filled   {mm2(audit.area_filled)} of LIGHT were never measured, so not judged; "
            f"they lie up to {um(audit.filled.max)} from SCAN"
        )
    noted = [f for f in audit.features if f.verdict != "ok"]
    lines.append(f"features {len(audit.features)}, of which {len(noted)} changed or can't be vouched for")
    lines += [f"  {f.feature} [{f.verdict}] {f.note}" for f in noted]
    for b in audit.budget:
        value = "no figure" if b.value is None else budgeted(b.value, b.unit)
        limit = budgeted(b.limit, b.unit)
        lines.append(f"budget   {b.what}: {value} of {limit}, {'held' if b.held else 'NOT HELD'} ({_where(b)})")
    if not audit.budget:
        lines.append("budget   none was set, so judge the figures yourself")
    return lines + [f"caution  {text}" for text in audit.cautions]


def alignment_lines(audit: Audit) -> list[str]:
    """Where LIGHT was laid, if it was: the motion in words, its rows to paste elsewhere, and how well it is known."""
    from pipeline.geometry import rotation_angle

    if audit.alignment is None:
        return []
    motion = audit.alignment.motion
    turn = math.degrees(rotation_angle(motion[:3, :3]))
    far = float((motion[:3, 3] ** 2).sum()) ** 0.5
    rows = "".join("\n  " + " ".join(f"{value + 0.0:16.10f}" for value in row) for row in motion)
    lines = [
        f"align    LIGHT was turned by {turn:.4f} deg, its origin moved by {mm(far, '.4f')}; "
        "scan = motion * light, in mm:" + rows
    ]
    if audit.alignment.corner is not None:
        on = f"{', '.join(audit.alignment.by)} and skin" if audit.alignment.by else "skin"
        lines.append(f"laid on  {on}; its farthest corner is known within {um(audit.alignment.corner)} (95 %)")
    return lines


def _where(line: BudgetLine) -> str:
    if line.place is None:
        return line.where
    return f"at scan: {place_in_mm(line.place)}"
