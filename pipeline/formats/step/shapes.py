"""Points, edges, wires and plane faces of the CAD kernel, made from arrays."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from OCP.BRep import BRep_Builder
from OCP.BRepBuilderAPI import (
    BRepBuilderAPI_MakeEdge,
    BRepBuilderAPI_MakeFace,
    BRepBuilderAPI_MakePolygon,
    BRepBuilderAPI_MakeVertex,
    BRepBuilderAPI_MakeWire,
)
from OCP.GC import GC_MakeArcOfCircle
from OCP.gp import gp_Ax2, gp_Ax3, gp_Circ, gp_Dir, gp_Lin, gp_Pln, gp_Pnt
from OCP.TopoDS import TopoDS_Compound, TopoDS_Edge, TopoDS_Face, TopoDS_Shape, TopoDS_Wire

from pipeline.formats.datum_file import OutlineRecord
from pipeline.formats.step.trims import Region
from pipeline.geometry import FULL_TURN, basis_of, box_of, unit
from pipeline.geometry import Floats as Vector

TOLERANCE = 1e-7  # mm, the kernel's own confusion


def flat_face(region: Region, point: Vector, direction: Vector, first: Vector, second: Vector) -> TopoDS_Face:
    """A flat patch as a face: plane through `point` with its normal along `direction`, x along `first`."""

    def loop(polygon: NDArray[np.float64]) -> TopoDS_Wire:
        made = BRepBuilderAPI_MakePolygon()
        for x, y in polygon:
            made.Add(pnt(point + x * first + y * second))
        made.Close()
        return made.Wire()

    plane = gp_Pln(ax3(point, direction, first))
    face = BRepBuilderAPI_MakeFace(plane, loop(region.outer), True)
    for opening in region.openings:
        face.Add(loop(opening))
    return face.Face()


def outline_wire(outline: OutlineRecord, to_part: NDArray[np.float64]) -> TopoDS_Shape:
    """An outline moved by the (4, 4) matrix sketch -> part coordinates; loose edges where they do not meet."""
    normal = to_part[:3, 2]
    edges = []
    for segment in outline.segments:
        start, end = lifted(to_part, segment.start), lifted(to_part, segment.end)
        if segment.kind == "circle":
            centre, radius = segment.round
            edges.append(circle(lifted(to_part, centre), normal, radius))
        elif segment.kind == "arc":
            centre, radius = segment.round
            edges.append(arc(lifted(to_part, centre), normal if segment.ccw else -normal, radius, start, end))
        elif segment.kind == "line":
            edges += [straight(start, end)] if math.dist(start, end) > TOLERANCE else []
        else:
            corners = [lifted(to_part, p) for p in segment.corners]
            edges += [straight(a, b) for a, b in pairwise(corners) if math.dist(a, b) > TOLERANCE]
    return wire(edges)


def lifted(to_part: NDArray[np.float64], place: tuple[float, float]) -> Vector:
    """A place of a sketch, moved by the (4, 4) matrix `to_part`."""
    return to_part[:3, :2] @ np.asarray(place, float) + to_part[:3, 3]


def pnt(point: Vector) -> gp_Pnt:
    """A point (3,) for the kernel."""
    return gp_Pnt(*map(float, point))


def direction_of(direction: Vector) -> gp_Dir:
    """A direction (3,) for the kernel."""
    return gp_Dir(*map(float, direction))


def ax3(point: Vector, direction: Vector, first: Vector) -> gp_Ax3:
    """A right-handed system at `point`: z along `direction`, x along `first`."""
    return gp_Ax3(pnt(point), direction_of(direction), direction_of(first))


def vertex(point: Vector) -> TopoDS_Shape:
    """A point (3,) as a shape."""
    return BRepBuilderAPI_MakeVertex(pnt(point)).Vertex()


def straight(start: Vector, end: Vector) -> TopoDS_Edge:
    """The edge from one point to another."""
    return BRepBuilderAPI_MakeEdge(pnt(start), pnt(end)).Edge()


def line(point: Vector, direction: Vector, low: float, high: float) -> TopoDS_Edge:
    """The stretch low..high of the line, its origin kept at `point`."""
    if high - low < 1.0:
        low, high = low - 0.5, high + 0.5
    return BRepBuilderAPI_MakeEdge(gp_Lin(pnt(point), direction_of(direction)), low, high).Edge()


def long_line(point: Vector, direction: Vector, points: NDArray[np.float64]) -> TopoDS_Edge:
    """A line as long as the part."""
    along = (points - point) @ direction
    return line(point, direction, float(along.min()), float(along.max()))


def wide_plane(point: Vector, direction: Vector, points: NDArray[np.float64]) -> TopoDS_Face:
    """A plane as wide as the part."""
    first, second = basis_of(direction)
    places = (points - point) @ np.stack([first, second], axis=1)
    (x0, y0), (x1, y1) = box_of(places)
    region = Region(np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)]))
    return flat_face(region, point, direction, first, second)


def _gp_circle(centre: Vector, normal: Vector, radius: float) -> gp_Circ:
    return gp_Circ(gp_Ax2(pnt(centre), direction_of(normal), direction_of(basis_of(normal)[0])), float(radius))


def circle(centre: Vector, normal: Vector, radius: float) -> TopoDS_Edge:
    """The edge of a whole circle."""
    return BRepBuilderAPI_MakeEdge(_gp_circle(centre, normal, radius)).Edge()


def arc(centre: Vector, normal: Vector, radius: float, start: Vector, end: Vector) -> TopoDS_Edge:
    """Counter-clockwise about `normal` from start to end."""
    made = BRepBuilderAPI_MakeEdge(_gp_circle(centre, normal, radius), pnt(start), pnt(end))
    if made.IsDone():
        return made.Edge()
    # Ends a little off the circle: the arc through both of them and its own middle keeps the outline closed.
    first = unit(start - centre)
    second = np.cross(normal, first)
    turn = float(np.arctan2((end - centre) @ second, (end - centre) @ first)) % FULL_TURN
    middle = centre + radius * (math.cos(turn / 2) * first + math.sin(turn / 2) * second)
    return BRepBuilderAPI_MakeEdge(GC_MakeArcOfCircle(pnt(start), pnt(middle), pnt(end)).Value()).Edge()


def wire(edges: list[TopoDS_Edge]) -> TopoDS_Shape:
    """Edges joined in their order; the edges themselves where their ends do not meet."""
    made = BRepBuilderAPI_MakeWire()
    for edge in edges:
        made.Add(edge)
        if not made.IsDone():
            # Ends that do not quite meet: the pieces are kept as they are, unjoined.
            return together(edges)
    return made.Wire()


def together(shapes: Sequence[TopoDS_Shape]) -> TopoDS_Shape:
    """One shape of several."""
    if len(shapes) == 1:
        return shapes[0]
    compound = TopoDS_Compound()
    builder = BRep_Builder()
    builder.MakeCompound(compound)
    for shape in shapes:
        builder.Add(compound, shape)
    return compound
