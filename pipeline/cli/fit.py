"""datumlift fit: placed parts, and whether they clear each other."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from pipeline.fitup import Clearance, Fit, Placed
    from pipeline.layout import Layout

NOT_HELD = 3


@click.command(short_help="Place parts by a layout file, and tell whether they clear each other.")
@click.argument("layout", type=click.Path(path_type=Path), metavar="LAYOUT.toml")
def command(layout: Path) -> None:
    """Place the parts of LAYOUT.toml and answer what it asks: where parts are nearest to each other, how sure that is,
    and what a bore and what stands in it leave between them. Exit status 3 where a clearance is not held, or can't be
    told.
    """
    from pipeline.fitup import clearance
    from pipeline.layout import load_layout

    read = load_layout(layout)
    parts = placed_parts(read)
    lines = [line for name, part in parts.items() for line in placing_lines(name, part)]
    held = True
    for question in read.clearance:
        one, other = (parts[name] for name in question.between)
        found = clearance(one, other, question.least)
        held = held and found.verdict == "clear"
        lines += clearance_lines(question.between, found)
    click.echo("\n".join(lines))
    if not held:
        raise SystemExit(NOT_HELD)


def placed_parts(layout: Layout) -> dict[str, Placed]:
    """Every part where it stands. Raises SettingsError for a line that makes no sense."""
    import numpy as np

    from pipeline.errors import SettingsError
    from pipeline.fitup import Line, Placed, item_in_words, placed
    from pipeline.formats.parts_in import read_part

    out: dict[str, Placed] = {}
    for name, part in layout.part.items():
        body = read_part(name, part)
        lines = []
        for line in part.place:
            there, colon, words = line.on.partition(":")
            if not colon or there.strip() not in out:
                raise SettingsError(
                    f"{name}: {line.words}: what a part is placed on is written PART: WORDS, of a part that stands "
                    f"before it in the layout ({', '.join(out) or 'none does'})."
                )
            base = out[there.strip()]
            wanted = "axis" if line.axis is not None else "face" if line.face is not None else "point"
            lines.append(
                Line(
                    item_in_words(body, line.own, wanted),
                    item_in_words(base.body, words, wanted).placed(base.pose.matrix),
                    line.is_opposed,
                    f"{name}: {line.words}",
                    line.gap,
                    line.gap_uncertainty,
                )
            )
        start = None if part.at is None else np.array(part.at)
        out[name] = Placed(body, placed(lines, start))
    return out


def placing_lines(name: str, part: Placed) -> list[str]:
    """Where a part stands, for people."""
    x, y, z = part.pose.matrix[:3, 3]
    free = f"; free: {', '.join(part.pose.free)}" if part.pose.taken and part.pose.free else ""
    lines = [f"part       {name}: origin at [{x:.3f}, {y:.3f}, {z:.3f}]{free}"]
    for left in part.pose.left:
        lines.append(f"           {left.words}: stays {left.shift:.3f} mm and {left.angle:.5f} rad off")
    return lines


def clearance_lines(between: tuple[str, str], found: Clearance) -> list[str]:
    """What is said of two parts, for people."""
    lines = [f"clearance  {between[0]}, {between[1]}: {found.verdict}: {found.why}"]
    if found.spot is not None:
        spots = zip(between, found.spot.places, found.spot.on, strict=True)
        lines.append(
            "           at "
            + ", ".join(f"[{p[0]:.2f}, {p[1]:.2f}, {p[2]:.2f}] on {name} {on or 'skin'}" for name, p, on in spots)
        )
        lines += [f"           {term.kind} {term.size:.4f} mm: {term.name}" for term in found.spot.terms]
    return [*lines, *map(_fit_line, found.fits)]


def _fit_line(fit: Fit) -> str:
    doubt = "" if fit.expanded is None else f", +-{fit.expanded:.3f} (95 %)"
    kind = "play" if fit.play >= 0 else "interference"
    return (
        f"fit        {' '.join(fit.inner)} in {' '.join(fit.bore)}: {kind} {abs(fit.play):.3f} mm of the diameters"
        f"{doubt}, over {fit.overlap:.1f} mm; axes {fit.eccentric:.3f} mm apart"
    )
