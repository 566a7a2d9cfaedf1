"""datumlift check: a rescan after the cuts were made, held against the plan."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.cli.terminal import EXIT_BUDGET, Place, stage_progress
from pipeline.lengths import in_unit, mm

if TYPE_CHECKING:
    from pipeline.fitup.rescan import HeldFace
    from pipeline.questions import Checked


@click.command(short_help="Hold a rescan, after the cuts were made, against the plan.")
@click.argument("layout", type=Place(), metavar="LAYOUT.toml")
@click.argument("rescan", type=Place(), metavar="RESCAN")
@click.option("--part", help="Which part was scanned again, where cuts are planned in several.")
@click.option(
    "--out",
    type=Place(),
    help='Output folder; default: beside the layout, named after it, with "-check".',
)
@click.option("--json", "as_json", is_flag=True, help="Print check.json instead of the summary.")
@click.option("--quiet", is_flag=True, help="No progress and no summary; errors only.")
def command(layout: Path, rescan: Path, part: str | None, out: Path | None, as_json: bool, quiet: bool) -> int:
    """Lay RESCAN, a scan of the part after the cuts of LAYOUT.toml were made in metal, on what no cut was to touch, and
    hold each planned face against what is there.

    RESCAN is a scan, which is then run as `datumlift run` does it, or the folder of such a run. Writes check.json into
    the output folder. Exit status: 0 all as planned, 2 unusable input, 3 something is off the plan, missing or moved.
    """
    from pipeline.formats.datum_file import text_of
    from pipeline.formats.parts_in import body_of_run
    from pipeline.layout import load_layout
    from pipeline.output_folder import opened
    from pipeline.questions import check_rescan, planned_part
    from pipeline.runner import job_of, run

    watch = stage_progress(quiet or as_json)
    read = load_layout(layout)
    name = planned_part(read, part)
    folder = rescan if rescan.is_dir() else run(job_of(rescan), progress=watch).out
    found = check_rescan(read, layout.name, name, body_of_run("rescan", folder), watch)
    out = out or layout.with_name(f"{layout.stem}-check")
    with opened(out, [layout, rescan]) as room:
        (room.room / "check.json").write_text(text_of(found.record), encoding="utf-8")
        room.put({"check.json": room.room / "check.json"})
        told = room.told
    if as_json:
        click.echo(text_of(found.record), nl=False)
    elif not quiet:
        lines = [*lines_of(found), *(f"caution    {text}" for text in told), f"output     {out}"]
        click.echo(in_unit("\n".join(lines), read.export.units))
    return 0 if found.record.held else EXIT_BUDGET


def lines_of(found: Checked) -> list[str]:
    """What was found, for people."""
    lines = [f"laid on    {found.part}: {', '.join(found.plan.by)}"]
    lines += [_face_line(face) for face in found.plan.faces]
    lines += [f"wall       {cut}: {wall.verdict}: {wall.why}" for cut, wall in found.walls]
    for one in found.plan.moved:
        lines.append(
            f"moved      {one.number} (rescan: {one.found}): {mm(abs(one.off), '.3f')} off, "
            f"+-{mm(one.expanded[0], '.3f')} (95 %), though no cut was to touch it: castings move when they are cut"
        )
    return lines


def _face_line(face: HeldFace) -> str:
    seen = f"{face.seen:.0%} of it seen"
    where = f" ({seen})" if face.found is None else f" (rescan: {face.found}, {seen})"
    line = f"planned    {face.number} {face.name}{where}: {face.verdict}"
    if face.why:
        return f"{line}: {face.why}"
    size = "" if face.expanded[2] is None else f", diameter within {mm(face.expanded[2], '.3f')}"
    return f"{line}: within {mm(face.expanded[0], '.3f')}{size} (95 %)"
