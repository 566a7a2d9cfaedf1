"""Progress on a terminal or in a pipe, and the closing summary; shared by the commands that run stages."""

from __future__ import annotations

import contextlib
import json
import math
import sys
import time
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Any

import click

from pipeline.progress import Progress, silent

if TYPE_CHECKING:
    from pipeline.runner import Result, StageProgress


MOST_LINES = 20
MOST_PLACES = 4


def stage_progress(quiet: bool) -> StageProgress:
    """A bar a stage on a terminal, two plain lines a stage in a pipe, nothing when quiet; on standard error."""
    if quiet:
        return _nothing
    return _bars if sys.stderr.isatty() else _lines


@contextlib.contextmanager
def _nothing(name: str) -> Iterator[Progress]:
    yield silent


@contextlib.contextmanager
def _lines(name: str) -> Iterator[Progress]:
    started = time.perf_counter()
    click.echo(f"{name} ...", err=True)
    yield silent
    click.echo(f"{name} done in {time.perf_counter() - started:.1f} s", err=True)


@contextlib.contextmanager
def _bars(name: str) -> Iterator[Progress]:
    from rich.console import Console
    from rich.progress import BarColumn, TextColumn, TimeElapsedColumn
    from rich.progress import Progress as Bars

    columns = (
        TextColumn("{task.fields[stage]:<8}"),
        BarColumn(),
        TimeElapsedColumn(),
        TextColumn("{task.description}"),
    )
    with Bars(*columns, console=Console(stderr=True)) as bars:
        task = bars.add_task("", stage=name, total=1.0)

        def show(fraction: float, text: str = "") -> None:
            bars.update(task, completed=fraction, description=text)

        yield show
        bars.update(task, completed=1.0, description="")


def summary_json(result: Result) -> str:
    """The one JSON object that --json prints."""
    audit = result.audit
    return json.dumps(
        {
            "out": str(result.out),
            "facets_before": audit.facets_before,
            "facets_after": audit.facets_after,
            "features": len(result.features),
            "within_budget": within_budget(result),
            "stages": [
                {
                    "name": s.name,
                    "seconds": round(s.seconds, 3),
                    "peak_mb": None if s.peak_mb is None else round(s.peak_mb, 1),
                    "reused": s.reused,
                }
                for s in result.stages
            ],
            "cautions": list(result.cautions),
        }
    )


def within_budget(result: Result) -> bool:
    """Whether every line of the budget and every caliper check held."""
    calipers = result._shelf.get("recover", "calipers")
    return result.audit.within_budget and all(check.agrees is not False for check in calipers)


def summary_lines(result: Result) -> list[str]:
    """What the run came to, in at most `MOST_LINES` lines and in the order of the report."""
    audit, source, frame = result.audit, result.source, result.frame
    size = [high - low for low, high in zip(*source.bounds, strict=True)]
    features = {feature.id: feature for feature in result.features}
    lines = [
        verdict(result),
        f"scan     {source.facets:,} facets, {size[0]:.0f} x {size[1]:.0f} x {size[2]:.0f} mm, "
        f"noise {1000 * source.noise_sigma:.0f} um, edges {source.mean_edge:.2f} mm",
        f"light    {audit.facets_after:,} facets; scan to light rms {um(audit.scan_to_light.rms)}, "
        f"p99 {um(audit.scan_to_light.p99)}, max {um(audit.scan_to_light.max)}",
    ]
    if audit.second_opinion is not None:
        other = audit.second_opinion.scan_to_light
        lines.append(f"         by pymeshlab: rms {um(other.rms)}, p99 {um(other.p99)}, max {um(other.max)}")
    broken_first = sorted(audit.budget, key=lambda line: line.held)
    for line in broken_first[:4]:
        value = "no figure" if line.value is None else budgeted(line.value, line.unit)
        limit = budgeted(line.limit, line.unit)
        lines.append(f"budget   {line.what}: {value} of {limit} {'held' if line.held else 'NOT HELD'}")
    for datum in frame.datums[:4]:
        feature = features.get(datum.feature)
        lines.append(f"datum {datum.letter}  {datum.feature}" + (f"  {described(feature)}" if feature else ""))
    if not frame.complete:
        lines.append("frame    incomplete: " + ("; ".join(frame.reasons) or "too few datums"))
    lines.append(f"features {_kinds(features.values())}")
    gaps = result._shelf.get("fill", "gaps")
    closed = sum(gap.done != "left open" for gap in gaps)
    whole = audit.area_filled + audit.area_measured
    lines.append(
        f"invented {audit.area_filled:,.0f} mm2 filled of {whole:,.0f} mm2; gaps closed: {closed}, "
        f"left open: {len(gaps) - closed}"
    )
    lines += _places(result)
    lines.append(f"by hand  {_to_measure(result)}")
    # The cautions take what room is left, one line kept for where the outputs are.
    room = MOST_LINES - len(lines) - 1
    cautions = result.cautions
    shown = cautions if len(cautions) <= room else cautions[: room - 1]
    lines += [f"caution  {text}" for text in shown]
    if len(cautions) > len(shown):
        lines.append(f"caution  {len(cautions) - len(shown)} more, see summary.md")
    first = "; open report.html" if result.job.export.report else ""
    lines.append(f"outputs  {result.out}{first}")
    return lines


def _kinds(features: Iterable[Any]) -> str:
    from pipeline.surfaces import kind_of

    kinds: dict[str, int] = {}
    for feature in features:
        name = kind_of(feature).called(feature.side)
        kinds[name] = kinds.get(name, 0) + 1
    return ", ".join(f"{count} {name}" for name, count in sorted(kinds.items())) or "none"


def _places(result: Result) -> list[str]:
    """What was taken for the points of the job, a line each."""
    taken = [*result._shelf.get("recover", "taken"), *result._shelf.get("frame", "taken")]
    lines = [f"place    {t.setting}: {t.feature}, {t.distance:.2f} mm from the point" for t in taken]
    more = len(lines) - MOST_PLACES
    return lines if more <= 0 else [*lines[:MOST_PLACES], f"place    {more} more, see summary.md"]


def _to_measure(result: Result) -> str:
    """What the report tells to measure on the part, in a line."""
    on_frame = {datum.feature: datum.letter for datum in result.frame.datums}
    sizes = [f"{on_frame[f.id]} D{2 * f.radius:.2f}" for f in result.features if f.id in on_frame and f.radius]
    weak = sum(feature.confidence != "good" for feature in result.features)
    failed = [check.feature for check in result._shelf.get("recover", "calipers") if check.agrees is False]
    said = [
        f"find out why {', '.join(failed)} disagrees with the scan" if failed else "",
        f"gauge {', '.join(sizes)}" if sizes else "",
        f"features of low confidence: {weak}" if weak else "",
    ]
    return "; ".join(filter(None, said)) or "the sizes that your fits hang on"


def verdict(result: Result) -> str:
    audit = result.audit
    if not within_budget(result):
        return "DONE, BUT NOT WITHIN BUDGET: do not build on the light mesh before you have read summary.md"
    if audit.budget:
        return "Done, within budget"
    return "Done; no budget was set, so judge the deviations yourself"


def described(feature: Any) -> str:
    """One feature in a few words, millimetres and degrees."""
    from pipeline.surfaces import kind_of, shape_of

    kind = kind_of(feature)
    if kind.flat:
        size = f"{kind.name} {feature.extent.area:,.0f} mm2"
    elif kind.invariance == "prismatic":
        size = f"{feature.side} {kind.size(shape_of(feature))}"
    else:
        size = f"{feature.side} D{2 * feature.radius:.3f}"
    spread = feature.uncertainty.direction
    if spread is not None:
        size += f", direction +-{math.degrees(spread):.4f} deg (k=1)"
    return size


def um(value: float) -> str:
    return f"{1000 * value:.1f} um"


def budgeted(value: float, unit: str) -> str:
    """A limit of the budget, or what was held against it: lengths in mm, angles in degrees."""
    return f"{math.degrees(value):.4f} deg" if unit == "rad" else f"{value:.4f} {unit}"
