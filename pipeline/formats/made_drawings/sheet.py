"""A made part's sheet: its views, a table of holes, title block, notes, what to gauge before it is made."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path

from pipeline import __version__
from pipeline.fitup.made import Figure, MadePart, Outline, Prism, Turned
from pipeline.formats.drawings import (
    PAPER,
    WIDTH,
    Circle,
    Drawn,
    Item,
    bounds,
    in_lines,
    noted,
    pages_for,
    ruled,
    shifted,
    title_block,
    write_dxf,
    write_print,
)
from pipeline.formats.made_drawings.template_views import holes_of, template_views
from pipeline.formats.made_drawings.views import front, hole_circles, section

_BETWEEN = 12.0  # mm from view to view, and to what stands below
_FLAT, _FEW_RADII = ("cover", "gasket", "spacer"), 4
_UNSIZED = "Outline, text and joints as this drawing or the STEP file has them"
_GENERAL = "Sizes without limits: general tolerances ISO 2768-1, m. Edges broken 0.3."


def made_sheet(part: MadePart) -> Drawn:
    """The drawing of a made part with its title block, and what stands below; mm, 1:1.

    No items where there is nothing to draw.

    >>> import numpy as np
    >>> from pipeline.fitup.made import Prism, Size, Step, circle
    >>> plate = Step("add", Prism(circle(0, 0, 20), 0, 2), "plate")
    >>> thick = (Size("length", (0.0, 2.0), 2.0),)
    >>> shim = MadePart("shim", "spacer", (plate,), np.eye(4), (), (), sizes=thick)
    >>> made_sheet(shim).below[0].text
    'Thickness 2 mm.'
    """
    side, ahead = (section(part), front(part)) if part.sizes and part.kind != "template" else ((), ())
    view: tuple[Item, ...]
    if part.kind == "template":
        view = template_views(part)
    elif side and ahead:
        (_, low), (_, top) = bounds(ahead)
        (left, own_low), (_, own_top) = bounds(side)
        right = bounds(ahead)[1][0]
        up = 0.5 * (low + top) - 0.5 * (own_low + own_top)
        view = (*ahead, *shifted(side, (right + _BETWEEN - left, up)))
    else:
        view = side or ahead
    if not view:
        return Drawn((), ())
    (left, low), (right, _) = bounds(view)
    left = min(left, 0.5 * (left + right - WIDTH))
    made_for = ", ".join(dict.fromkeys(seat.part for seat in part.seats)) or ", ".join(part.against)
    block = title_block(
        (
            (("title", f"{part.kind.capitalize()} {part.name}"), ("made for", made_for)),
            (("scale, unit", "1:1, mm"), ("made by", f"datumlift {__version__}")),
        )
    )
    whole = (*view, *shifted(block, (left, low - _BETWEEN)))
    below: tuple[Item, ...] = ()
    table = _axes(part) if part.kind == "template" else _holes(part)
    for items in (table, noted(in_lines(_notes(part)))):
        if items:
            below += shifted(items, (left, bounds((*whole, *below))[0][1] - 0.5 * _BETWEEN))
    return Drawn(whole, below)


def drawing_files(part: MadePart) -> tuple[str, ...]:
    """The names of a made part's drawings: DXF, and PDF where a sheet holds it at 1:1.

    >>> import numpy as np
    >>> drawing_files(MadePart("wall ring", "spacer", (), np.eye(4), (), ()))
    ()
    """
    drawn = made_sheet(part)
    if not drawn.front:
        return ()
    return f"{part.stem}.dxf", *([] if pages_for(drawn.front, drawn.below) is None else [f"{part.stem}.pdf"])


def write_made_drawing(folder: Path, part: MadePart) -> tuple[str, ...]:
    """Write a made part's drawings into a folder; their names, as `drawing_files`.

    Raises OSError where the folder can't be written to.

    >>> import tempfile
    >>> import numpy as np
    >>> from pipeline.fitup.made import Prism, Size, Step, circle
    >>> plate = Step("add", Prism(circle(0, 0, 20), 0, 2), "plate")
    >>> thick = (Size("length", (0.0, 2.0), 2.0),)
    >>> shim = MadePart("shim", "spacer", (plate,), np.eye(4), (), (), sizes=thick)
    >>> write_made_drawing(Path(tempfile.mkdtemp()), shim)
    ('shim.dxf', 'shim.pdf')
    """
    drawn = made_sheet(part)
    if not drawn.front:
        return ()
    write_dxf(folder / f"{part.stem}.dxf", (*drawn.front, *drawn.below))
    pages = pages_for(drawn.front, drawn.below)
    if pages is not None:
        write_print(folder / f"{part.stem}.pdf", pages, f"{part.kind} {part.name}")
    return drawing_files(part)


def _holes(part: MadePart) -> tuple[Item, ...]:
    holes: list[Circle] = hole_circles(part)
    if not holes:
        return ()
    rows = [
        (str(k), f"{h.centre[0]:.3f}", f"{h.centre[1]:.3f}", f"{2 * h.radius:.2f}", f"{math.hypot(*h.centre):.3f}")
        for k, h in enumerate(holes, 1)
    ]
    return ruled((("hole", "x mm", "y mm", "Ø mm", "from the origin mm"), *rows))


def _axes(part: MadePart) -> tuple[Item, ...]:
    """Of a template's locators, guides and pads: where they begin (z from its seat), how they lean, how wide."""
    rows = []
    for name, hole, (x, y, z) in holes_of(part):
        a, b, c = hole.place[:3, 2]
        lean = math.degrees(math.acos(min(1.0, abs(c))))
        turn = "-" if lean < 1e-3 else f"{math.degrees(math.atan2(b, a)) % 360.0:.3f}"
        wide = 2.0 * max(r for _, r in hole.profile)
        rows.append((name, f"{x:.3f}", f"{y:.3f}", f"{z:.3f}", f"{lean:.3f}", turn, f"{wide:.3f}"))
    for step in part.steps:
        if step.how == "add" and step.name.startswith("pad ") and isinstance(step.solid, Turned):
            (x, y), wide = step.solid.place[:2, 3], 2.0 * max(r for _, r in step.solid.profile)
            rows.append((step.name, f"{x:.1f}", f"{y:.1f}", "0", "0", "-", f"{wide:.1f}"))
    heads = ("axis", "x mm", "y mm", "z mm", "lean deg", "towards deg", "Ø mm")
    return ruled((heads, *rows)) if rows else ()


def _budgets(part: MadePart) -> Iterator[str]:
    for budget in part.budgets:
        made_of = ", ".join(f"{s.name} {s.size:.3f} ({s.kind})" for s in budget.shares)
        yield (
            f"{budget.name}: within {budget.likely:.3f} mm (95 %), {budget.worst:.3f} mm at worst; made of, mm: "
            f"{made_of}."
        )


def _notes(part: MadePart) -> tuple[str, ...]:
    thick = [f"Thickness {s.solid.high - s.solid.low:g} mm." for s in part.steps[:1] if isinstance(s.solid, Prism)]
    gauged = [
        f"Gauge before making: {', '.join(g.features)} of {g.part}, {g.value:.3f} mm now ({g.why})."
        for g in part.gauges
    ]
    rounded = [text for s in part.steps[:1] if part.kind in _FLAT and isinstance(s.solid, Prism)
               for text in _corners(s.solid.outline)]  # fmt: skip
    # Of the others the facts say what their figures are.
    sized = [*map(_figured, part.figures), _UNSIZED] if part.kind == "template" else []
    sure = [_sentence(f"not held for certain: {text}") for text in part.doubts]
    return (
        *thick,
        *map(_sentence, (*rounded, *sized)),
        *map(_sentence, _budgets(part)),
        *sure,
        *map(_sentence, part.facts),
        *gauged,
        *map(_sentence, part.cautions),
        _GENERAL,
        PAPER,
    )


def _corners(outline: Outline) -> Iterator[str]:
    """The radii of an outline's corners where they are few; else where its edge is to be had."""
    radii: dict[float, int] = {}
    for k, (a, b) in enumerate(zip(outline.corners, (*outline.corners[1:], outline.corners[0]), strict=True)):
        bulge = outline.bulges[k] if outline.bulges else 0.0
        if abs(bulge) > 1e-9:
            radius = round(0.25 * math.dist(a, b) * (abs(bulge) + 1.0 / abs(bulge)), 1)
            radii[radius] = radii.get(radius, 0) + 1
    if len(radii) > _FEW_RADII:
        yield "Its edge, a cast one, as this drawing or the STEP file has it"
    elif radii:
        yield "Radii of its edge: " + ", ".join(f"{n} x R{r:g}" for r, n in sorted(radii.items())) + " mm"


def _figured(figure: Figure) -> str:
    size = f"{figure.value:.3f}".rstrip("0").rstrip(".")
    doubt = "" if figure.expanded is None else f" +-{figure.expanded:.3f} (95 %)"
    return f"{figure.name}: {size} {figure.unit}{doubt}{f'; {figure.note}' if figure.note else ''}"


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:].rstrip('.')}."
