"""The B-rep of an outline: one vertex, edge and face of the kernel for each of ours, shared where ours are shared."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from OCP.BRep import BRep_Builder
from OCP.TopAbs import TopAbs_Orientation
from OCP.TopLoc import TopLoc_Location
from OCP.TopoDS import TopoDS_Edge, TopoDS_Face, TopoDS_Shell, TopoDS_Solid, TopoDS_Vertex, TopoDS_Wire

from pipeline.features.solid import Curve, Outline, laid_out
from pipeline.formats.solid import shapes
from pipeline.geometry import Floats
from pipeline.surfaces import kind_of

# mm: the kernel's own confusion.
CONFUSION = 1e-7
# mm: the least tolerance of an edge or vertex. Readers make parameter curves anew and need some room for it.
_ROOM = 5e-7
# The kernel looks at a curve elsewhere than where it was found to be off.
_MARGIN = 2.0
_HERE = TopLoc_Location()


@dataclass(frozen=True)
class Body:
    """A solid, or the shell that is left where it is not closed, and the kernel's face for each of ours."""

    shape: TopoDS_Solid | TopoDS_Shell
    faces: dict[int, TopoDS_Face]
    worst: float


def built(outline: Outline, closed: bool) -> Body:
    """The kernel's shape of an outline. closed: it has no free border and is made a solid."""
    builder = BRep_Builder()
    edges = _edges(builder, outline)
    shell = TopoDS_Shell()
    builder.MakeShell(shell)
    faces: dict[int, TopoDS_Face] = {}
    worst = 0.0
    for number in sorted(outline.walks):
        if number in outline.faces.charts and not kind_of(outline.faces.shapes[number]).flat:
            face, off = _round_face(builder, outline, number, edges)
            worst = max(worst, off)
        else:
            face = _flat_face(builder, outline, number, edges)
        if outline.faces.outward[number] < 0:
            face = face.Reversed()
        builder.Add(shell, face)
        faces[number] = face
    shell.Closed(closed)
    if not closed:
        return Body(shell, faces, worst)
    solid = TopoDS_Solid()
    builder.MakeSolid(solid)
    builder.Add(solid, shell)
    return Body(solid, faces, worst)


def _edges(builder: BRep_Builder, outline: Outline) -> list[TopoDS_Edge]:
    points = outline.faces.mesh.points
    vertices: dict[int, TopoDS_Vertex] = {}
    for edge in outline.edges:
        for end in (edge.start, edge.end):
            if end not in vertices:
                vertex = TopoDS_Vertex()
                builder.MakeVertex(vertex, shapes.point(points[end]), _ROOM)
                vertices[end] = vertex
    made = []
    forward, backward = TopAbs_Orientation.TopAbs_FORWARD, TopAbs_Orientation.TopAbs_REVERSED
    for edge in outline.edges:
        out = TopoDS_Edge()
        curve = edge.curve
        builder.MakeEdge(out, shapes.curve(curve), max(_ROOM, _MARGIN * curve.off))
        first, last = vertices[edge.start], vertices[edge.end]
        builder.Add(out, first.Oriented(forward))
        builder.Add(out, last.Oriented(backward))
        builder.Range(out, float(curve.t[0]), float(curve.t[-1]))
        builder.SameParameter(out, True)
        builder.SameRange(out, True)
        if curve.kind != "line":  # whose ends are its vertices
            off = _ends_off(curve, points[[edge.start, edge.end]])
            for vertex in (first, last):
                builder.UpdateVertex(vertex, float(max(_ROOM, _MARGIN * curve.off, _MARGIN * off)))
        made.append(out)
    return made


def _ends_off(curve: Curve, ends: Floats) -> float:
    return float(np.linalg.norm(curve.at(curve.t[[0, -1]]) - ends, axis=1).max())


def _flat_face(builder: BRep_Builder, outline: Outline, number: int, edges: list[TopoDS_Edge]) -> TopoDS_Face:
    face = TopoDS_Face()
    shape = outline.faces.shapes[number]
    assert shape.direction is not None
    builder.MakeFace(face, shapes.plane(shape.point, shape.direction), CONFUSION)
    for walk in outline.walks[number]:
        builder.Add(face, _wire(builder, [edges[e] if ahead else edges[e].Reversed() for e, ahead in walk]))
    return face


def _round_face(
    builder: BRep_Builder, outline: Outline, number: int, edges: list[TopoDS_Edge]
) -> tuple[TopoDS_Face, float]:
    face = TopoDS_Face()
    surface = shapes.surface(outline.faces.charts[number])
    builder.MakeFace(face, surface, CONFUSION)
    walks, worst = laid_out(outline, number)
    seam = outline.seams.get(number)
    for walk, laid in walks:
        there = None
        for (edge, ahead), run in zip(walk, laid, strict=True):
            if edge != seam:
                builder.UpdateEdge(edges[edge], shapes.plane_curve(run), surface, _HERE, CONFUSION)
            elif ahead:
                there = run
            else:
                assert there is not None
                both = shapes.plane_curve(there), shapes.plane_curve(run)
                builder.UpdateEdge(edges[edge], *both, surface, _HERE, CONFUSION)
        builder.Add(face, _wire(builder, [edges[e] if ahead else edges[e].Reversed() for e, ahead in walk]))
    return face, worst


def _wire(builder: BRep_Builder, edges: list[TopoDS_Edge]) -> TopoDS_Wire:
    wire = TopoDS_Wire()
    builder.MakeWire(wire)
    for edge in edges:
        builder.Add(wire, edge)
    wire.Closed(True)
    return wire
