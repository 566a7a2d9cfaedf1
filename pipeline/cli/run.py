"""datumlift run: the whole job on a scan or a job file."""

from __future__ import annotations

import shlex
from pathlib import Path

import click

from pipeline.cli.terminal import (
    EXIT_BUDGET,
    Figure,
    Place,
    stage_progress,
    summary_json,
    summary_lines,
    within_budget,
)


class Count(click.ParamType):
    """A whole number from `low` to `high` that may be written 200000, 4e6 or 4_000_000."""

    name = "number"

    def __init__(self, low: int, high: int = 10**9) -> None:
        self._low, self._high = low, high

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> int:
        try:
            count = float(str(value).replace("_", "").replace(",", ""))
        except ValueError:
            self.fail(f"{value!r} is not a number; write it like 200000 or 4e6.", param, ctx)
        if not self._low <= count <= self._high:
            self.fail(f"{value} is out of reach: from {self._low:,} to {self._high:,}.", param, ctx)
        return round(count)


@click.command(short_help="The whole job on a scan or a job file.")
@click.argument("scan_or_job", type=Place(), metavar="SCAN|JOB.toml")
@click.argument("further", nargs=-1, type=Place(), metavar="[SCAN]...")
@click.option("--out", type=Place(), help="Output folder; default: beside the scan, named after it.")
@click.option("--facets", type=Count(100), help="Lighten to this many facets, e.g. 1e5.")
@click.option("--tolerance", type=Figure(), help="Lighten to this deviation, mm.")
@click.option("--units", type=click.Choice(["mm", "cm", "m", "in"]), help="The unit of the scan's coordinates.")
@click.option("--fresh", is_flag=True, help="Make everything anew, whatever an earlier run left.")
@click.option("--quiet", is_flag=True, help="No progress and no summary; errors only.")
@click.option("--json", "as_json", is_flag=True, help="Print what was found as one JSON object; see README.")
def command(
    scan_or_job: Path,
    further: tuple[Path, ...],
    out: Path | None,
    facets: int | None,
    tolerance: float | None,
    units: str | None,
    fresh: bool,
    quiet: bool,
    as_json: bool,
) -> int:
    """Take SCAN (STL, PLY, OBJ, OFF, 3MF, glTF; points as PLY, XYZ, CSV, E57) or JOB.toml through every stage.

    Further scans of the same part, from other sides, are laid on the first one, whose coordinates are kept.

    A second run makes only what changed anew; one that was stopped goes on where it was. Exit status:
    0 done, 2 unusable input or usage, 3 done but a budget or a measured size failed, 130 interrupted.
    """
    job = with_options((scan_or_job, *further), facets, tolerance, units)
    return finish(job, scan_or_job, out, fresh, quiet, as_json)


def with_options(paths: tuple[Path, ...], facets: int | None, tolerance: float | None, units: str | None):  # type: ignore[no-untyped-def]
    """The job of a job file or of scans, with the options of the command line put over its settings."""
    from pipeline.job import LightenSettings, ReadSettings
    from pipeline.runner import job_of

    job = job_of(*paths)
    if units is not None:
        job = job.model_copy(update={"read": ReadSettings.model_validate({"units": units})})
    if facets is not None or tolerance is not None:
        goal = {"facets": facets, "tolerance": tolerance, "edges": job.lighten.edges}
        job = job.model_copy(update={"lighten": LightenSettings.model_validate(goal)})
    return job


def _next_step(result, job_file: Path | None) -> str:  # type: ignore[no-untyped-def]
    """What comes after reading the report."""
    from pipeline.runner import default_out

    if job_file is not None and job_file.suffix.lower() == ".toml":
        return f"read the report, edit {job_file}, and give the same command again: only what changed is made anew"
    scan, out = result.job.scan, result.out
    beside = "" if out.resolve() == default_out(scan) else f" --out {shlex.quote(str(out))}"
    scans = " ".join(shlex.quote(str(path)) for path in (scan, *(one.scan for one in result.job.set_up)))
    ask = f"datumlift new {scans}{beside}"
    return f"read the report, then: {ask}  (makes a job file with these features, gaps and datums to edit and run)"


def finish(job, job_file: Path | None, out: Path | None, fresh: bool, quiet: bool, as_json: bool) -> int:  # type: ignore[no-untyped-def]
    """Run a job and print what it came to; the exit status."""
    from pipeline.runner import run

    keep = job_file if job_file is not None and job_file.suffix.lower() == ".toml" else None
    result = run(job, out=out, fresh=fresh, progress=stage_progress(quiet or as_json), job_file=keep)
    if as_json:
        click.echo(summary_json(result))
    elif quiet:
        for told in result.told:
            click.echo(f"caution  {told}", err=True)
    else:
        click.echo("\n".join(summary_lines(result, _next_step(result, job_file))))
    return 0 if within_budget(result) else EXIT_BUDGET
