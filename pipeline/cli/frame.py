"""datumlift frame: the datum system of a job, and what moves if another datum is chosen."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.cli.terminal import Place, stage_progress
from pipeline.lengths import in_unit, mm, um

if TYPE_CHECKING:
    from pipeline.runner import Result
    from pipeline.values import Frame

AXES = ("x", "y", "z")


@click.command(short_help="The datum frame, and what moves if another datum is chosen.")
@click.argument("job", type=Place(), metavar="SCAN|JOB.toml")
@click.option("--show", "with_all", is_flag=True, help="Also deviations from the datums, and the flanges.")
@click.option("--out", type=Place(), help="Output folder; default: beside the scan, named after it.")
@click.option("--quiet", is_flag=True, help="No progress.")
def command(job: Path, with_all: bool, out: Path | None, quiet: bool) -> None:
    """Run JOB as far as its frame and print it: the datums, what each constrains, and the other frames that the
    part offers with how far the origin would move and the axes would turn.

    To choose another one, put its lines into the job file. Nothing but the work folder is written.
    """
    from pipeline.runner import run

    result = run(job, out=out, until="frame", progress=stage_progress(quiet))
    lines = frame_lines(result)
    if with_all:
        lines += ["", *square_lines(result), "", *flange_lines(result)]
    click.echo(in_unit("\n".join(lines), result.job.export.units))


def frame_lines(result: Result) -> list[str]:
    """The frame, its uncertainty, and what others would move."""
    from pipeline.features.datums import motion_between
    from pipeline.features.naming import DATUM_SYSTEM, freedoms_in_words

    made = result.frame_result
    lines = [DATUM_SYSTEM + ("" if made.frame.complete else " (incomplete)")]
    lines += [f"  {d.letter}  {d.feature:<34} constrains {freedoms_in_words(d.constrains)}" for d in made.frame.datums]
    lines += [f"     {reason}" for reason in made.frame.reasons]
    lines += _uncertainty(made.frame)
    lines += ["  scan to part, mm:", *("    " + "".join(f"{v:>12.6f}" for v in row) for row in made.frame.matrix[:3])]
    if made.proposals:
        lines += ["", "Other choices, and what they would move"]
    for other in made.proposals:
        shift, turn, renamed = motion_between(made.frame.matrix, other.matrix)
        letters = ", ".join(f'{d.letter} = "{d.feature}"' for d in other.datums)
        state = "" if other.complete else " (incomplete)"
        moves = f"origin {mm(shift, '.3f')}, axes {math.degrees(turn):.4f} deg" + (
            " and their names" if renamed else ""
        )
        lines.append(f"  {letters}{state}")
        lines.append(f"     moves {moves}; {other.reasons[-1] if other.reasons else ''}".rstrip("; "))
    return [*lines, "", *(f"caution  {c}" for c in made.cautions)] if made.cautions else lines


def _uncertainty(frame: Frame) -> list[str]:
    if frame.covariance is None:
        return ["  its uncertainty is not known"]
    sigma = [math.sqrt(max(float(frame.covariance[k, k]), 0.0)) for k in range(6)]
    shifts = ", ".join(f"{a} {um(s, '.1f')}" for a, s in zip(AXES, sigma[:3], strict=True))
    turns = ", ".join(f"{a} {math.degrees(s):.4f}" for a, s in zip(AXES, sigma[3:], strict=True))
    return [f"  origin known to (k=1): {shifts}; axes to deg: {turns}"]


def square_lines(result: Result) -> list[str]:
    """How far faces and bores are from perpendicular, parallel and coaxial to the datums."""
    from pipeline.features.naming import RELATIONS

    made = result.frame_result
    lines = [
        "Deviations from the datums (+- is the standard uncertainty, k = 1; "
        f"* stands out at 95 % of all {made.tests} deviations together, Holm 1979)"
    ]
    for s in made.square_up:
        spread = "unknown" if s.angle_uncertainty is None else f"{math.degrees(s.angle_uncertainty):.4f}"
        text = f"  {s.feature:<14} {RELATIONS[s.kind]:<16} to {s.datum}: {math.degrees(s.angle):.4f} +- {spread} deg"
        text += f", {um(s.over)} over {mm(s.length, '.0f')}"
        if s.offset is not None:
            spread = "unknown" if s.offset_uncertainty is None else um(s.offset_uncertainty, ".1f")
            text += f", off the axis {um(s.offset)} +- {spread}"
        lines.append(text + (" *" if s.significant else ""))
    return lines


def flange_lines(result: Result) -> list[str]:
    """Faces with their holes and patterns."""
    lines = ["Flanges"]
    for f in result.frame_result.flanges:
        inside = [f"{len(f.holes)} holes"]
        for what in ("opening", "spigot"):
            count = sum(o.what == what for o in f.inner)
            inside += [f"{count} {what}{'s' if count > 1 else ''}"] if count else []
        lines.append(f"  {f.feature}: {', '.join(inside)}; origin at {f.origin_at}")
        for p in f.patterns:
            if p.kind == "pitch_circle":
                missing = f", {p.missing} missing" if p.missing else ""
                lines.append(
                    f"     pitch circle D{mm(p.diameter or 0.0, '.3f')}, {p.count} places{missing}, rms {um(p.rms)}"
                )
            elif p.kind == "rectangle" and p.size is not None:
                lines.append(f"     rectangle {p.size[0]:.3f} x {mm(p.size[1], '.3f')}, rms {um(p.rms)}")
            else:
                lines.append(f"     {len(p.members)} equal holes in no regular pattern")
        lines += [f"     {c}" for c in f.cautions]
    return lines
