"""datumlift batch: many scans of one sort of part with the same job."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.cli.terminal import (
    EXIT_BUDGET,
    EXIT_FAULT,
    EXIT_MEMORY,
    EXIT_UNUSABLE,
    Place,
    stage_progress,
)
from pipeline.lengths import in_unit, mm

if TYPE_CHECKING:
    from pipeline.formats.batch_file import BatchFile, PartRecord, SpreadRecord

_MOST_FEATURES, _MOST_CAUTIONS = 8, 6


@click.command(short_help="Many scans of one sort of part with the same job.")
@click.argument("source", type=Place(), metavar="FOLDER|LIST")
@click.option("--job", "job_file", required=True, type=Place(), help="The job file for every scan.")
@click.option(
    "--scheduler", metavar="ADDRESS", help="A Dask scheduler that is there; default: workers on this machine."
)
@click.option("--out", type=Place(), help='Output folder; default: beside FOLDER, with "-batch".')
@click.option("--json", "as_json", is_flag=True, help="Print batch.json instead of the summary.")
@click.option("--quiet", is_flag=True, help="No progress and no summary; errors only.")
def command(source: Path, job_file: Path, scheduler: str | None, out: Path | None, as_json: bool, quiet: bool) -> int:
    """Run every scan in FOLDER, or in LIST, a text file with the path of one on each line, with the same job, each into
    a folder of its own; and tell what came of each, and how far the sizes and places of their features spread.

    Writes batch.html, batch.json, parts.csv and spread.csv. A scan that fails stops no other; a second call makes anew
    only what is missing or has changed. Exit status: 0 all scans held, 3 all went through but some not within budget,
    2 some, or the job, could not be used, 4 some ran out of memory, 1 some met a fault of datumlift itself.
    """
    from pipeline.batch import run_batch
    from pipeline.formats.datum_file import text_of
    from pipeline.job import load_job

    with stage_progress(quiet or as_json)("batch") as progress:

        def told(part: PartRecord, done: int, of: int) -> None:
            progress(done / of, f"{part.scan}: {part.verdict}; {done} of {of}")

        made = run_batch(source, job_file, out=out, scheduler=scheduler, told=told)
    if as_json:
        click.echo(text_of(made.record), nl=False)
    elif not quiet:
        lines = lines_of(made.record, made.out)
        click.echo(in_unit("\n".join(lines), load_job(job_file).export.units))
    return status_of(made.record)


def status_of(record: BatchFile) -> int:
    """The exit status: that of what is worst."""

    worst = {
        "fault": EXIT_FAULT, "out of memory": EXIT_MEMORY, "unusable": EXIT_UNUSABLE, "not held": EXIT_BUDGET,
    }  # fmt: skip
    there = {part.verdict for part in record.parts}
    return next((status for verdict, status in worst.items() if verdict in there), 0)


def lines_of(record: BatchFile, out: Path) -> list[str]:
    """What came of it, for people."""
    from pipeline.errors import printable

    lines = []
    for number, part in enumerate(record.parts, 1):
        size = "" if part.facets is None else f", {part.facets:,} facets"
        why = f": {part.why}" if part.why else ""
        lines.append(printable(f"{number:>4} {part.scan}: {part.verdict}{size}{why}"))
    stands_out = [line for line in record.spread if line.apart or line.drifts]
    lines += [f"spread   {_said(line)}" for line in stands_out[:_MOST_FEATURES]]
    if len(stands_out) > _MOST_FEATURES:
        lines.append(f"spread   {len(stands_out) - _MOST_FEATURES} more figures stand out, see batch.html")
    if not stands_out and any(line.count > 1 for line in record.spread):
        lines.append("spread   no difference between the parts stands out of what measuring explains")
    lines += [printable(f"caution  {text}") for text in record.cautions[:_MOST_CAUTIONS]]
    if len(record.cautions) > _MOST_CAUTIONS:
        lines.append(f"caution  {len(record.cautions) - _MOST_CAUTIONS} more, see batch.html")
    return [*lines, f"outputs  {out}; open batch.html"]


def _said(line: SpreadRecord) -> str:
    def told(value: float | None) -> str:
        if value is None:
            return "not known"
        return mm(value, ".4f") if line.unit == "mm" else f"{value:.4f} deg"

    said = f"{line.feature} {line.figure}: mean {told(line.mean)}, sigma {told(line.sigma)} over {line.count} parts"
    if line.apart:
        said += f", measuring explains {told(line.measured_within)}"
    return said + (f", drifts by {told(line.trend)} a part" if line.drifts else "")
