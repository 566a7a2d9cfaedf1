"""datumlift compare: audit any two meshes against each other."""

from __future__ import annotations

import json
import math
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipeline.cli import show
from pipeline.cli.main import EXIT_BUDGET

if TYPE_CHECKING:
    from pipeline.values import Audit, BudgetLine


def budget_options(function: Any) -> Any:
    """The four promises of a budget, as options."""
    for name, help_ in (
        ("--max-tilt", "Largest tilt of a feature, degrees."),
        ("--max-radius-change", "Largest change of a radius, mm."),
        ("--max-axis-shift", "Largest shift of an axis, a centre or a face, mm."),
        ("--max-deviation", "Largest distance between the two, noise aside, mm."),
    ):
        function = click.option(name, type=click.FloatRange(min=0, min_open=True), help=help_)(function)
    return function


@click.command(short_help="Audit any two meshes against each other.")
@click.argument("scan", type=click.Path(path_type=Path), metavar="SCAN")
@click.argument("light", type=click.Path(path_type=Path), metavar="LIGHT")
@click.option("--fit", is_flag=True, help="Lay LIGHT onto SCAN by a best fit first.")
@click.option("--units", type=click.Choice(["mm", "cm", "m", "in"]), help="The unit of both files' coordinates.")
@budget_options
@click.option("--second-opinion", is_flag=True, help="Have pymeshlab measure the distances as well.")
@click.option("--json", "as_json", is_flag=True, help="Print the audit as one JSON object.")
@click.option("--quiet", is_flag=True, help="No progress.")
def command(
    scan: Path,
    light: Path,
    fit: bool,
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
    nearness. Exit status: 0 done, 2 unusable input, 3 done but a promise of the budget is broken.
    """
    from pipeline.formats.datum_file import comparison_record, plain_data
    from pipeline.geometry import rotation_angle
    from pipeline.job import AuditSettings, ReadSettings, make_job
    from pipeline.runner import run
    from pipeline.stages.audit import compare
    from pipeline.stages.read import read

    settings = AuditSettings(
        max_deviation=max_deviation,
        max_axis_shift=max_axis_shift,
        max_radius_change=max_radius_change,
        max_tilt=max_tilt,
        second_opinion=second_opinion,
    )
    watch = show.stage_progress(quiet or as_json)
    reading = {"units": units} if units else {}
    with watch("light") as progress:
        other = read(light, ReadSettings.model_validate(reading), progress).surface
    with tempfile.TemporaryDirectory(prefix="datumlift-") as folder:
        known = run(make_job({"scan": scan, "read": reading}), out=folder, until="recover", progress=watch)
        with watch("compare") as progress:
            audit, motion = compare(
                known.clean, known.recover, known.source, other, settings, fitted=fit, progress=progress
            )
    if as_json:
        click.echo(json.dumps(plain_data(comparison_record(audit, motion))))
    else:
        click.echo("\n".join(as_lines(audit)))
        if fit:
            turn = math.degrees(rotation_angle(motion[:3, :3]))
            click.echo(f"LIGHT was turned by {turn:.4f} deg to fit, and its origin moved to {motion[:3, 3].round(4)}")
    return 0 if audit.within_budget else EXIT_BUDGET


def as_lines(audit: Audit) -> list[str]:
    """The audit in words: distances, features that changed, the budget."""
    forth, back = audit.noise_aside or (audit.scan_to_light, audit.light_to_scan)
    lines = [
        f"facets   {audit.facets_before:,} against {audit.facets_after:,}",
        f"scan's own noise {show.um(audit.noise_sigma)}",
    ]
    ways = [
        ("scan to light, as measured", audit.scan_to_light),
        ("light to scan, as measured", audit.light_to_scan),
        ("scan to light, noise aside", forth),
        ("light to scan, noise aside", back),
    ]
    if audit.second_opinion is not None:
        ways += [
            ("scan to light, second opinion", audit.second_opinion.scan_to_light),
            ("light to scan, second opinion", audit.second_opinion.light_to_scan),
        ]
    for name, d in ways:
        x, y, z = d.where
        lines.append(
            f"{name}: mean {show.um(d.mean)}, rms {show.um(d.rms)}, p99 {show.um(d.p99)}, max {show.um(d.max)} "
            f"at scan: [{x:.2f}, {y:.2f}, {z:.2f}]"
        )
    noted = [f for f in audit.features if f.verdict != "ok"]
    lines.append(f"features {len(audit.features)}, of which {len(noted)} changed or can't be vouched for")
    lines += [f"  {f.feature} [{f.verdict}] {f.note}" for f in noted]
    for b in audit.budget:
        value = "no figure" if b.value is None else show.budgeted(b.value, b.unit)
        limit = show.budgeted(b.limit, b.unit)
        lines.append(f"budget   {b.what}: {value} of {limit}, {'held' if b.held else 'NOT HELD'} ({_where(b)})")
    if not audit.budget:
        lines.append("budget   none was set, so judge the figures yourself")
    return lines + [f"caution  {text}" for text in audit.cautions]


def _where(line: BudgetLine) -> str:
    if line.place is None:
        return line.where
    x, y, z = line.place
    return f"at scan: [{x:.2f}, {y:.2f}, {z:.2f}]"
