"""datumlift ladder: several facet counts, and what each costs."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.cli.compare import budget_options
from pipeline.cli.run import Count
from pipeline.cli.terminal import EXIT_BUDGET, Place, stage_progress
from pipeline.errors import SettingsError
from pipeline.output_folder import opened

if TYPE_CHECKING:
    from pipeline.values import Audit

DEFAULT_COUNTS = (10_000, 20_000, 50_000, 100_000, 200_000, 400_000)


@dataclass(frozen=True)
class Rung:
    """One count and its cost: mm, scan noise removed; chord is the largest radius change of a fit on the facets."""

    facets: int
    rms: float
    p99: float
    max: float
    shift: float
    radius: float
    chord: float
    held: bool


class _Counts(click.ParamType):
    name = "counts"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> tuple[int, ...]:
        if isinstance(value, tuple):
            return value
        return tuple(sorted({Count(100).convert(part, param, ctx) for part in str(value).split(",")}))


@click.command(short_help="Try several facet counts and show what each costs.")
@click.argument("scan_or_job", type=Place(), metavar="SCAN|JOB.toml")
@click.option("--counts", type=_Counts(), default=DEFAULT_COUNTS, help="Facet counts, e.g. 20000,50000,1e5.")
@budget_options
@click.option("--out", type=Place(), help="Output folder; default: beside the scan, named after it.")
@click.option("--quiet", is_flag=True, help="No progress.")
def command(
    scan_or_job: Path,
    counts: Sequence[int],
    max_deviation: float | None,
    max_axis_shift: float | None,
    max_radius_change: float | None,
    max_tilt: float | None,
    out: Path | None,
    quiet: bool,
) -> int:
    """Lighten SCAN to several counts, audit each, and name the smallest that holds the budget.

    Writes ladder.csv and ladder.svg into the output folder. The budget is the job file's unless options
    give another. Exit status: 0 done, 2 unusable input, 3 a budget was set and no count holds it.
    """
    from pipeline.job import AuditSettings, LightenSettings
    from pipeline.runner import LADDER_CURVE, job_of, run
    from pipeline.stages.audit import audit
    from pipeline.stages.lighten import lighten

    job = job_of(scan_or_job)
    given = {
        "max_deviation": max_deviation,
        "max_axis_shift": max_axis_shift,
        "max_radius_change": max_radius_change,
        "max_tilt": max_tilt,
    }
    asked = {name: value for name, value in given.items() if value is not None}
    budget = AuditSettings.model_validate(asked) if asked else job.audit
    watch = stage_progress(quiet)
    known = run(job, out=out, until="fill", progress=watch)
    possible = [count for count in counts if count < known.source.facets]
    if not possible:
        raise SettingsError(
            f"The scan has {known.source.facets:,} facets, fewer than every count asked for; give smaller --counts."
        )
    rungs = []
    for count in possible:
        with watch(f"{count:,}") as progress:
            goal = LightenSettings(facets=count, edges=job.lighten.edges)
            light = lighten(known.fill, known.recover, known.source, goal)
            progress(0.5, "auditing")
            found = audit(known.clean.removals, known.recover, known.fill, light, known.source, budget).audit
            rungs.append(rung_of(found))
    held = [rung for rung in rungs if rung.held and found.budget]
    unit = job.export.units
    click.echo("\n".join(table(rungs, bool(found.budget), unit)))
    with opened(known.out) as folder:
        folder.put_text("ladder.csv", as_csv(rungs, unit))
        folder.put_text(LADDER_CURVE, as_svg(rungs, budget.max_deviation, unit))
    for told in (*known.told, *folder.told):
        click.echo(f"caution  {told}", err=True)
    click.echo(f"outputs  {known.out / 'ladder.csv'}, {known.out / 'ladder.svg'}")
    if not found.budget:
        click.echo("No budget was set; give --max-deviation, say, to have the smallest count named.")
        return 0
    if held:
        click.echo(f"Smallest count that holds the budget: {held[0].facets:,} facets.")
        return 0
    click.echo("No count asked for holds the budget; give larger --counts or a wider budget.")
    return EXIT_BUDGET


def rung_of(audit: Audit) -> Rung:
    """What one audit says of its count."""
    forth, back = audit.noise_aside or (audit.scan_to_light, audit.light_to_scan)
    return Rung(
        audit.facets_after,
        forth.rms,
        forth.p99,
        max(forth.max, back.max),
        max((f.shift for f in audit.features if f.shift is not None), default=0.0),
        max((abs(f.radius_change) for f in audit.features if f.radius_change is not None), default=0.0),
        max((abs(f.on_facets[2]) for f in audit.features if f.on_facets and f.on_facets[2] is not None), default=0.0),
        audit.within_budget,
    )


def _small(unit: str) -> tuple[str, float]:
    """The small unit of "mm" or "in", and by what millimetres are multiplied to be that."""
    from pipeline.geometry import MM_PER_INCH

    return ("um", 1000.0) if unit == "mm" else ("thou", 1000.0 / MM_PER_INCH)


def table(rungs: Sequence[Rung], judged: bool, unit: str = "mm") -> list[str]:
    """The ladder as lines of text, in micrometres, or thou of "in"."""
    from pipeline.features.naming import NOISE_REMOVED

    small, times = _small(unit)
    head = (
        f"{'facets':>10} {'rms':>8} {'p99':>8} {'max':>8} {'shift':>8} {'radius':>8} {'chord':>8}   "
        f"{small}, {NOISE_REMOVED}"
    )
    places = 1 if unit == "mm" else 3
    lines = [head]
    for r in rungs:
        figures = " ".join(f"{times * v:8.{places}f}" for v in (r.rms, r.p99, r.max, r.shift, r.radius, r.chord))
        lines.append(f"{r.facets:>10,} {figures}" + (f"   {'held' if r.held else 'not held'}" if judged else ""))
    return lines


def as_csv(rungs: Sequence[Rung], unit: str = "mm") -> str:
    """The ladder as CSV, in "mm" or "in"."""
    scale = 1e-3 * _small(unit)[1]
    names = ("rms", "p99", "max", "feature_shift", "radius_change", "chord_radius")
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["facets", *(f"{name}_{unit}" for name in names), "within_budget"])
    for r in rungs:
        writer.writerow(
            [r.facets, *(f"{scale * v:.6f}" for v in (r.rms, r.p99, r.max, r.shift, r.radius, r.chord)), r.held]
        )
    return text.getvalue()


def as_svg(rungs: Sequence[Rung], limit: float | None, unit: str = "mm") -> str:
    """Facets against deviation, both axes logarithmic; the limit as a line across."""
    from math import log10

    from pipeline.features.naming import NOISE_REMOVED
    from pipeline.palette import css

    width, height, left, top, right, bottom = 640, 400, 80, 30, 20, 60
    ink, soft, rule = css("ink"), css("soft"), css("rule")
    # Told apart by their dashes too.
    curves = (
        ("max", css("curve of the largest"), ""),
        ("p99", css("curve of most"), "9 4"),
        ("rms", css("curve of the mean"), "2 4"),
    )
    small, times = _small(unit)
    values = [times * max(getattr(r, name), 1e-6) for r in rungs for name, _, _ in curves]
    values += [times * limit] if limit is not None else []
    low_y, high_y = log10(min(values)) - 0.1, log10(max(values)) + 0.1
    low_x, high_x = log10(rungs[0].facets) - 0.05, log10(rungs[-1].facets) + 0.05

    def x(facets: float) -> float:
        return left + (log10(facets) - low_x) / (high_x - low_x) * (width - left - right)

    def y(mm: float) -> float:
        return top + (high_y - log10(times * max(mm, 1e-6))) / (high_y - low_y) * (height - top - bottom)

    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}"'
        ' font-family="sans-serif" font-size="12">',
        f'<rect width="{width}" height="{height}" fill="{css("paper")}"/>',
        f'<path d="M{left} {top}V{height - bottom}H{width - right}" fill="none" stroke="{ink}"/>',
        f'<text x="{(left + width - right) / 2:.0f}" y="{height - 12}" text-anchor="middle">facets</text>',
        f'<text transform="translate(18 {(top + height - bottom) / 2:.0f}) rotate(-90)" text-anchor="middle">'
        f"deviation from the scan, {NOISE_REMOVED} ({small})</text>",
    ]
    for r in rungs:
        parts.append(f'<text x="{x(r.facets):.1f}" y="{height - bottom + 18}" text-anchor="middle">{r.facets:,}</text>')
    for power in range(int(low_y) - 1, int(high_y) + 2):
        for step in (1, 2, 5):
            mark = step * 10.0**power
            if low_y <= log10(mark) <= high_y:
                at = y(mark / times)
                parts.append(f'<path d="M{left} {at:.1f}H{width - right}" stroke="{rule}"/>')
                parts.append(f'<text x="{left - 6}" y="{at + 4:.1f}" text-anchor="end">{mark:g}</text>')
    for name, colour, dashes in curves:
        dashed = f' stroke-dasharray="{dashes}"' if dashes else ""
        points = " ".join(f"{x(r.facets):.1f},{y(getattr(r, name)):.1f}" for r in rungs)
        parts.append(f'<polyline points="{points}" fill="none" stroke="{colour}" stroke-width="2.5"{dashed}/>')
        at_x, at_y = x(rungs[0].facets) + 6, y(getattr(rungs[0], name)) - 6
        parts.append(f'<text x="{at_x:.1f}" y="{at_y:.1f}" fill="{ink}">{name}</text>')
    if limit is not None:
        parts.append(f'<path d="M{left} {y(limit):.1f}H{width - right}" stroke="{soft}" stroke-dasharray="14 4"/>')
        parts.append(f'<text x="{width - right}" y="{y(limit) - 5:.1f}" text-anchor="end">budget</text>')
    return "\n".join([*parts, "</svg>"]) + "\n"
