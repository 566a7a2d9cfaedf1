"""A made part's description as an exact solid of the CAD kernel, with the names of its faces."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from OCP.BRep import BRep_Builder
from OCP.BRepAlgoAPI import BRepAlgoAPI_Cut, BRepAlgoAPI_Fuse
from OCP.BRepBuilderAPI import (
    BRepBuilderAPI_MakeEdge,
    BRepBuilderAPI_MakeFace,
    BRepBuilderAPI_MakeVertex,
    BRepBuilderAPI_MakeWire,
)
from OCP.BRepExtrema import BRepExtrema_DistShapeShape
from OCP.BRepPrimAPI import BRepPrimAPI_MakePrism, BRepPrimAPI_MakeRevol
from OCP.BRepTools import BRepTools_WireExplorer
from OCP.collections import IndexedMap_TopoDS_Shape_TopTools_ShapeMapHasher as FaceMap
from OCP.GC import GC_MakeArcOfCircle
from OCP.gp import gp_Ax1, gp_Dir, gp_Pnt, gp_Vec
from OCP.TopAbs import TopAbs_ShapeEnum
from OCP.TopExp import TopExp
from OCP.TopoDS import TopoDS, TopoDS_Compound

from pipeline.errors import GeometryError
from pipeline.fitup.made import Lettering, Outline, Prism, Step, Turned
from pipeline.formats.made_parts.letters import letters_of
from pipeline.formats.solid import Named, NamedBody, faces_of, images_of
from pipeline.geometry import Floats, transformed

_SUNK = 0.3  # mm that letters begin below the face on which they stand, so that they are one with it


def built(steps: Sequence[Step], name: str, begin: NamedBody | None = None) -> NamedBody:
    """The solid that steps make, or make of the one that they begin with, its faces named; mm, in their coordinates.

    Raises GeometryError where the kernel gives up.

    >>> from pipeline.fitup.made.solids import circle
    >>> ring = Step("add", Prism(circle(0, 0, 10), 0, 4, (circle(0, 0, 6),)), "ring")
    >>> body = built([ring], "a ring")
    >>> round(body.volume / np.pi, 6), sorted({face.name for face in body.faces})
    (256.0, ['ring bottom', 'ring hole', 'ring side', 'ring top'])
    """
    shape: Any = None if begin is None else begin.shape
    faces: list[Named] = [] if begin is None else list(begin.faces)
    for step in steps:
        try:
            tool, told = _solid(step)
            if shape is None:
                shape, faces = tool, told
                continue
            operation = (BRepAlgoAPI_Fuse if step.how == "add" else BRepAlgoAPI_Cut)(shape, tool)
        except RuntimeError as error:
            raise GeometryError(f"The CAD kernel could not build {name} at its {step.name} ({error}).") from None
        if not operation.IsDone():
            raise GeometryError(f"The CAD kernel could not build {name} at its {step.name}; change its sizes a little.")
        faces = [Named(face, old.name, None) for old in (*faces, *told) for face in images_of(operation, old.face)]
        shape = operation.Shape()
    there = FaceMap()
    TopExp.MapShapes_s(shape, TopAbs_ShapeEnum.TopAbs_FACE, there)
    return NamedBody(shape, tuple(named for named in faces if there.Contains(named.face)))


def _solid(step: Step) -> tuple[Any, list[Named]]:
    solid = step.solid
    if isinstance(solid, Prism):
        return _prism(solid, step.name)
    if isinstance(solid, Turned):
        return _turned(solid, step.name)
    return _letters(solid, step.name)


def _prism(solid: Prism, name: str) -> tuple[Any, list[Named]]:
    rise = gp_Vec(*((solid.high - solid.low) * solid.place[:3, 2]).tolist())
    face, edges = _flat(solid.outline, solid.holes, solid.place, solid.low)
    made = BRepPrimAPI_MakePrism(face, rise)
    told = [Named(made.FirstShape(), f"{name} bottom", None), Named(made.LastShape(), f"{name} top", None)]
    for number, run in enumerate(edges):
        told += [
            Named(side, f"{name} hole" if number else f"{name} side", None) for e in run for side in made.Generated(e)
        ]
    return made.Shape(), told


def _flat(outline: Outline, holes: Sequence[Outline], place: Floats, level: float) -> tuple[Any, list[list[Any]]]:
    """The plane face within an outline, and the edges of it and of each hole."""
    wires, edges = [], []
    for run in (outline, *holes):
        own = list(_edges(run, place, level))
        maker = BRepBuilderAPI_MakeWire()
        for edge in own:
            maker.Add(edge)
        wires.append(maker.Wire())
        # The wire has edges of its own where their ends were made one.
        edges.append(_of_wire(maker.Wire()))
    face = BRepBuilderAPI_MakeFace(wires[0])
    for hole in wires[1:]:
        face.Add(TopoDS.Wire(hole.Reversed()))
    return face.Face(), edges


def _of_wire(wire: Any) -> list[Any]:
    walk, out = BRepTools_WireExplorer(TopoDS.Wire(wire)), []
    while walk.More():
        out.append(walk.Current())
        walk.Next()
    return out


def _edges(outline: Outline, place: Floats, level: float) -> Iterator[Any]:
    flat = np.array(outline.corners, float)
    ends = np.roll(flat, -1, axis=0)
    for k, (a, b) in enumerate(zip(flat, ends, strict=True)):
        bulge = outline.bulges[k] if outline.bulges else 0.0
        first, last = (_point(transformed(place, np.array([*p, level]))) for p in (a, b))
        if not bulge:
            yield BRepBuilderAPI_MakeEdge(first, last).Edge()
            continue
        half = 0.5 * (b - a)
        # The middle of an arc is its bulge times half its chord off the chord, to the right where it turns left.
        middle = 0.5 * (a + b) + bulge * np.array([half[1], -half[0]])
        through = _point(transformed(place, np.array([*middle, level])))
        yield BRepBuilderAPI_MakeEdge(GC_MakeArcOfCircle(first, through, last).Value()).Edge()


def _turned(solid: Turned, name: str) -> tuple[Any, list[Named]]:
    corners = [transformed(solid.place, np.array([r, 0.0, z])) for z, r in solid.profile]
    maker = BRepBuilderAPI_MakeWire()
    for p, q in pairwise((*corners, corners[0])):
        maker.Add(BRepBuilderAPI_MakeEdge(_point(p), _point(q)).Edge())
    axis = gp_Ax1(_point(solid.place[:3, 3]), _direction(solid.place[:3, 2]))
    shape = BRepPrimAPI_MakeRevol(BRepBuilderAPI_MakeFace(maker.Wire()).Face(), axis).Shape()
    if not solid.names:
        return shape, [Named(face, name, None) for face in faces_of(shape)]
    # The kernel doesn't tell which run swept a flat face, but each has the middle of its own run.
    middles = [0.5 * (p + q) for p, q in pairwise((*corners, corners[0]))]
    return shape, [Named(face, solid.names[_on(face, middles)], None) for face in faces_of(shape)]


def _on(face: Any, places: Sequence[Floats]) -> int:
    """Which of some places a face goes through."""
    far = [
        BRepExtrema_DistShapeShape(BRepBuilderAPI_MakeVertex(_point(place)).Vertex(), face).Value() for place in places
    ]
    return int(np.argmin(far))


def _letters(solid: Lettering, name: str) -> tuple[Any, list[Named]]:
    whole, builder, told = TopoDS_Compound(), BRep_Builder(), []
    builder.MakeCompound(whole)
    rise = gp_Vec(*((solid.height + _SUNK) * solid.place[:3, 2]).tolist())
    for outline, holes in letters_of(solid.text, solid.size):
        made = BRepPrimAPI_MakePrism(_flat(outline, holes, solid.place, -_SUNK)[0], rise).Shape()
        builder.Add(whole, made)
        told += [Named(face, name, None) for face in faces_of(made)]
    return whole, told


def _point(p: Floats) -> gp_Pnt:
    return gp_Pnt(*p.tolist())


def _direction(d: Floats) -> gp_Dir:
    return gp_Dir(*d.tolist())
