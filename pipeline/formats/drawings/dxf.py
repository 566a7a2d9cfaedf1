"""flange-<id>.dxf: one drawing a flange, 1:1, true lines, arcs and circles on layers by meaning."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path

import ezdxf
from ezdxf import units
from ezdxf.document import Drawing
from ezdxf.layouts import Modelspace

from pipeline.formats.drawings import drawing
from pipeline.units import MM_PER_INCH

# Colours by the old pen numbers that every reader knows; white turns black on paper.
_WHITE, _RED, _BLUE, _GREEN, _GREY = 7, 1, 5, 3, 8
_LOOKS = {
    drawing.OUTLINE: (_WHITE, "CONTINUOUS", 35),
    drawing.OPENINGS: (_WHITE, "CONTINUOUS", 35),
    drawing.HOLES: (_BLUE, "CONTINUOUS", 35),
    drawing.CENTRE: (_RED, "CENTER", 13),
    drawing.PITCH: (_RED, "CENTER", 13),
    drawing.TEXT: (_GREEN, "CONTINUOUS", 18),
}


def write_dxf(path: Path, items: tuple[drawing.Item, ...], notes: tuple[str, ...], unit: str = "mm") -> None:
    """Write a drawing with its notes below it. unit: "mm" | "in", of the file's coordinates.

    The same drawing gives the same bytes. Raises OSError when the place can't be written.
    """
    with _fixed_header():
        _drawn(items, notes, unit).saveas(path)


def _drawn(items: tuple[drawing.Item, ...], notes: tuple[str, ...], unit: str) -> Drawing:
    document = ezdxf.new("R2010", units=units.MM if unit == "mm" else units.IN)
    document.header["$MEASUREMENT"] = 1 if unit == "mm" else 0
    document.linetypes.add("CENTER", pattern=[12.7, 7.6, -1.6, 1.9, -1.6], description="centre line")
    for layer, (colour, linetype, weight) in _LOOKS.items():
        document.layers.add(layer, color=colour, linetype=linetype, lineweight=weight)
    document.header["$LTSCALE"] = 0.5 if unit == "mm" else 0.5 / MM_PER_INCH
    scale = 1.0 if unit == "mm" else 1.0 / MM_PER_INCH
    space = document.modelspace()
    for item in items:
        _draw(space, item, scale)
    (left, bottom), (right, top) = drawing.bounds(items)
    line = 1.7 * drawing.TEXT_HEIGHT
    for number, note in enumerate(notes):
        _draw(space, drawing.Text(drawing.TEXT, (left, bottom - 8.0 - line * number), note), scale)
    lowest = bottom - 8.0 - line * len(notes)
    space.reset_extents((left * scale, lowest * scale, 0), (right * scale, top * scale, 0))
    middle = ((left + right) / 2 * scale, (lowest + top) / 2 * scale)
    document.set_modelspace_vport(height=1.2 * max(top - lowest, right - left) * scale, center=middle)
    return document


def _draw(space: Modelspace, item: drawing.Item, scale: float) -> None:
    look = {"layer": item.layer}

    def at(place: drawing.Place) -> drawing.Place:
        return place[0] * scale, place[1] * scale

    match item:
        case drawing.Line(_, start, end):
            space.add_line(at(start), at(end), dxfattribs=look)
        case drawing.Circle(_, centre, radius):
            space.add_circle(at(centre), radius * scale, dxfattribs=look)
        case drawing.Arc(_, centre, radius, begin, finish):
            space.add_arc(at(centre), radius * scale, begin, finish, dxfattribs=look)
        case drawing.Polyline(_, points):
            space.add_lwpolyline([at(p) for p in points], dxfattribs=look)
        case drawing.Text(_, place, text):
            space.add_text(text, height=drawing.TEXT_HEIGHT * scale, dxfattribs=look).set_placement(at(place))


@contextlib.contextmanager
def _fixed_header() -> Iterator[None]:
    """Keep the clock's time and the random ids, which the library puts into a header, out of it."""
    before = ezdxf.options.write_fixed_meta_data_for_testing
    ezdxf.options.write_fixed_meta_data_for_testing = True
    try:
        yield
    finally:
        ezdxf.options.write_fixed_meta_data_for_testing = before
