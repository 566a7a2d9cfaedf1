"""Drawings as DXF: 1:1, true lines, arcs and circles on layers by meaning, dimensions as dimensions."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

import ezdxf
from ezdxf import units
from ezdxf.document import Drawing
from ezdxf.layouts import BaseLayout, Modelspace

from pipeline.formats.drawings import items
from pipeline.geometry import MM_PER_INCH

# Colours by the old pen numbers that every reader knows; white turns black on paper.
_WHITE, _RED, _BLUE, _GREEN, _GREY, _CYAN = 7, 1, 5, 3, 8, 4
_FULL = "CONTINUOUS"
_LOOKS = {
    items.OUTLINE: (_WHITE, _FULL, 35),
    items.OPENINGS: (_WHITE, _FULL, 35),
    items.SPIGOTS: (_WHITE, _FULL, 35),
    items.HOLES: (_BLUE, _FULL, 35),
    items.CENTRE: (_RED, "LONG_DASH_DOT", 13),
    items.PITCH: (_RED, "LONG_DASH_DOT", 13),
    items.NOMINAL: (_CYAN, _FULL, 13),
    items.SECTION: (_WHITE, _FULL, 35),
    items.HATCH: (_GREY, _FULL, 13),
    items.FILLED: (_GREY, "DASH", 18),
    items.DIMENSIONS: (_GREEN, _FULL, 13),
    items.TEXT: (_GREEN, _FULL, 18),
    items.SHEET: (_GREY, _FULL, 18),
}
# The line types of ISO 128-2 that are used, dashes of our own: mm of line, -mm of gap, 0 a dot.
_LINE_TYPES = {
    "LONG_DASH_DOT": ("long-dashed dotted line", (6.0, -0.8, 0.0, -0.8)),
    "DASH": ("dashed line", (3.0, -0.8)),
}
_STYLE = "DRAWING"
# Kinds of dimensions by the numbers of the DXF reference (group 70): 32 says that the block is its own, 128 that the
# text stands where it was put, 64 that an ordinate runs along x.
_KINDS = {"linear": 0 + 32 + 128, "diameter": 3 + 32 + 128, "angular": 5 + 32 + 128, "ordinate": 6 + 32 + 64 + 128}
_SIGNS = {"Ø": "%%c", "±": "%%p", "°": "%%d"}


def write_dxf(path: Path, drawn: tuple[items.Item, ...], unit: str = "mm") -> None:
    """Write a drawing. unit: "mm" | "in", of the file's coordinates; the items are in mm.

    The same drawing gives the same bytes, in every process. Raises OSError when the place can't be written.

    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "hole.dxf"
    >>> write_dxf(path, (items.Circle(items.HOLES, (0.0, 0.0), 4.5),))
    >>> [entity.dxf.radius for entity in ezdxf.readfile(path).modelspace().query("CIRCLE")]
    [4.5]
    """
    with _fixed_header():
        _drawn(drawn, unit).saveas(path)


def _drawn(drawn: tuple[items.Item, ...], unit: str) -> Drawing:
    document = ezdxf.new("R2010", units=units.MM if unit == "mm" else units.IN)
    scale = 1.0 if unit == "mm" else 1.0 / MM_PER_INCH
    document.header["$MEASUREMENT"] = 1 if unit == "mm" else 0
    document.header["$LTSCALE"] = 1.0
    for name, (words, dashes) in _LINE_TYPES.items():
        length = sum(abs(dash) for dash in dashes)
        document.linetypes.add(name, pattern=[v * scale for v in (length, *dashes)], description=words)
    for layer in dict.fromkeys(_layers(drawn)):
        colour, linetype, weight = _LOOKS[layer]
        document.layers.add(layer, color=colour, linetype=linetype, lineweight=weight)
    document.styles.add(_STYLE, font="txt", dxfattribs={"width": 0.8})
    style = {"dimtxt": items.TEXT_HEIGHT, "dimasz": items.ARROW, "dimgap": 1.0, "dimexe": 1.5, "dimexo": 1.0}
    sizes = {name: value * scale for name, value in style.items()}
    document.dimstyles.add(_STYLE, dxfattribs={**sizes, "dimtxsty": _STYLE, "dimtad": 1})
    space = document.modelspace()
    for item in drawn:
        _draw(space, item, scale)
    (left, low), (right, top) = items.bounds(drawn)
    space.reset_extents((left * scale, low * scale, 0), (right * scale, top * scale, 0))
    middle = ((left + right) / 2 * scale, (low + top) / 2 * scale)
    document.set_modelspace_vport(height=1.2 * max(top - low, right - left) * scale, center=middle)
    # The library would list the classes in the order of a set, which no two processes share.
    for name in sorted(document.entitydb.dxf_types_in_use()):
        document.classes.add_class(name)
    return document


def _layers(drawn: Iterable[items.Item]) -> Iterator[str]:
    for item in drawn:
        yield item.layer


def _draw(space: BaseLayout, item: items.Item, scale: float) -> None:
    look = {"layer": item.layer}

    def at(place: items.Place) -> items.Place:
        return place[0] * scale, place[1] * scale

    match item:
        case items.Line(_, start, end):
            space.add_line(at(start), at(end), dxfattribs=look)
        case items.Circle(_, centre, radius):
            space.add_circle(at(centre), radius * scale, dxfattribs=look)
        case items.Arc(_, centre, radius, begin, finish):
            space.add_arc(at(centre), radius * scale, begin, finish, dxfattribs=look)
        case items.Polyline(_, points):
            space.add_lwpolyline([at(p) for p in points], dxfattribs=look)
        case items.Arrow():
            tip, left, right = map(at, item.corners)
            space.add_solid([tip, left, right, right], dxfattribs=look)
        case items.Text(_, place, text, height, angle):
            attributes = {**look, "style": _STYLE, "rotation": angle}
            space.add_text(_signed(text), height=height * scale, dxfattribs=attributes).set_placement(at(place))
        case items.Dimension():
            _dimension(space, item, at, scale)


def _dimension(
    space: BaseLayout, item: items.Dimension, at: Callable[[items.Place], items.Place], scale: float
) -> None:
    """A DIMENSION entity, and the block that shows it."""
    assert isinstance(space, Modelspace)
    block = space.doc.blocks.new_anonymous_block(type_char="D")
    for stroke in item.strokes:
        _draw(block, stroke, scale)
    (text,) = (stroke for stroke in item.strokes if isinstance(stroke, items.Text))
    (x0, y0), (x1, y1) = items.bounds([text])
    points = [(*at(p), 0.0) for p in item.points]
    hung: dict[str, object] = {}
    match item.kind:
        case "linear":
            start, end, on = points
            upright = abs(on[1] - start[1]) < 1e-9
            hung = {"defpoint": on, "defpoint2": start, "defpoint3": end, "angle": 90.0 if upright else 0.0}
        case "diameter":
            hung = {"defpoint": points[0], "defpoint4": points[1]}
        case "angular":
            vertex, first, second, arc = points
            hung = {"defpoint": arc, "defpoint2": first, "defpoint3": second, "defpoint4": vertex}
        case "ordinate":
            hung = {"defpoint": points[0], "defpoint2": points[1], "defpoint3": points[2]}
    space.new_entity(
        "DIMENSION",
        {
            "layer": item.layer,
            "dimstyle": _STYLE,
            "dimtype": _KINDS[item.kind],
            "geometry": block.name,
            "text": _signed(item.text),
            "text_midpoint": (*at(((x0 + x1) / 2, (y0 + y1) / 2)), 0.0),
            "actual_measurement": item.value * (scale if item.kind != "angular" else 1.0),
            **hung,
        },
    )


def _signed(text: str) -> str:
    """With the codes that DXF has for the signs of diameter, plus-minus and degree."""
    for sign, code in _SIGNS.items():
        text = text.replace(sign, code)
    return text


@contextlib.contextmanager
def _fixed_header() -> Iterator[None]:
    """Keep the clock's time and the random ids, which the library puts into a header, out of it."""
    before = ezdxf.options.write_fixed_meta_data_for_testing
    ezdxf.options.write_fixed_meta_data_for_testing = True
    try:
        yield
    finally:
        ezdxf.options.write_fixed_meta_data_for_testing = before
