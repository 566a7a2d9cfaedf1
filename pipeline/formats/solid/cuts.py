"""Cuts of a solid by the CAD kernel, exactly, with the names of its faces carried through."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from OCP.BRepAlgoAPI import BRepAlgoAPI_BooleanOperation, BRepAlgoAPI_Cut
from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeEdge, BRepBuilderAPI_MakeFace, BRepBuilderAPI_MakeWire
from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox, BRepPrimAPI_MakeCylinder, BRepPrimAPI_MakePrism
from OCP.collections import IndexedMap_TopoDS_Shape_TopTools_ShapeMapHasher as FaceMap
from OCP.GC import GC_MakeArcOfCircle
from OCP.gp import gp_Ax2, gp_Vec
from OCP.TopAbs import TopAbs_ShapeEnum
from OCP.TopExp import TopExp, TopExp_Explorer

from pipeline.errors import GeometryError
from pipeline.fitup import Stroke
from pipeline.formats.solid import shapes
from pipeline.formats.solid.checks import Verdict, checked, inside
from pipeline.formats.solid.document import Named, read_named, write_body
from pipeline.geometry import Floats, basis_of
from pipeline.palette import colour

_BODY_COLOUR = colour("no feature")
_CUT_COLOUR = colour("cut")


@dataclass(frozen=True)
class NamedBody:
    """A solid.

    shape  the CAD kernel's, in mm
    faces  those of its faces that have a name or a colour

    >>> peg = NamedBody(round_tool(np.zeros(3), np.array([0.0, 0.0, 1.0]), 5.0, 20.0), ())
    >>> round(peg.volume, 6)
    1570.796327
    """

    shape: Any
    faces: tuple[Named, ...]

    @property
    def volume(self) -> float:
        """mm3, by the kernel."""
        return inside(self.shape)


def read_solid(path: Path) -> NamedBody:
    """The solid of a STEP file with the names and colours of its faces, as `part.step` has them.

    Raises OSError where it can't be read. Below, a drilled plate.

    >>> import tempfile
    >>> path, up = Path(tempfile.mkdtemp()) / "plate.step", np.array([0.0, 0.0, 1.0])
    >>> plate = NamedBody(facing_tool(np.zeros(3), up, 20.0, 8.0), ())
    >>> write_solid(path, cut_away(plate, round_tool(np.zeros(3), up, 5.0, 8.0), "drain")[0], "plate", "a plate")
    >>> again = read_solid(path)
    >>> round(again.volume, 3), [named.name for named in again.faces if named.name]
    (12171.681, ['drain'])
    """
    return NamedBody(*read_named(path))


def round_tool(point: Floats, direction: Floats, radius: float, length: float) -> Any:
    """What a boring bar or drill takes away: a cylinder from `point` (3,) along `direction` (3,), mm.

    >>> round(checked(round_tool(np.zeros(3), np.array([0.0, 0.0, 1.0]), 5.0, 20.0), {}).volume, 6)
    1570.796327
    """
    return BRepPrimAPI_MakeCylinder(gp_Ax2(shapes.point(point), shapes.direction(direction)), radius, length).Shape()


def facing_tool(point: Floats, outwards: Floats, reach: float, height: float) -> Any:
    """What a facing cut takes away: all that lies `outwards` (3,) of the plane through `point` (3,), within `reach` mm
    of it across and `height` mm above.

    >>> round(checked(facing_tool(np.zeros(3), np.array([0.0, 0.0, 1.0]), 10.0, 5.0), {}).volume, 6)
    2000.0
    """
    z = outwards / np.linalg.norm(outwards)
    u, v = basis_of(z)
    corner = point - reach * (u + v)
    place = gp_Ax2(shapes.point(corner), shapes.direction(z), shapes.direction(u))
    return BRepPrimAPI_MakeBox(place, 2 * reach, 2 * reach, height).Shape()


def stroke_tool(stroke: Stroke) -> Any:
    """What a stroke of a cut sweeps.

    >>> up, x = np.array([0.0, 0.0, 1.0]), np.array([1.0, 0.0, 0.0])
    >>> slot = Stroke("block", np.zeros(3), up, 5.0, 4.0, half=(10.0, 4.0), across=x)
    >>> round(checked(stroke_tool(slot), {}).volume - 5.0 * (12 * 8 + 16 * np.pi), 6)
    0.0
    """
    if stroke.kind == "round":
        return round_tool(stroke.start, stroke.feed, stroke.radius, stroke.length)
    if stroke.kind == "ring":
        whole, core = (round_tool(stroke.start, stroke.feed, r, stroke.length) for r in (stroke.wide, stroke.radius))
        return BRepAlgoAPI_Cut(whole, core).Shape()
    u, v, (a, b), r = stroke.across, np.cross(stroke.feed, stroke.across), stroke.half, stroke.radius
    outline = BRepBuilderAPI_MakeWire()

    def at(x: float, y: float) -> Any:
        return shapes.point(stroke.start + x * u + y * v)

    for i, k in ((1, 1), (-1, 1), (-1, -1), (1, -1)):
        # From the end of a side round the corner to the start of the next side.
        first = (i * a, k * (b - r)) if i == k else (i * (a - r), k * b)
        last = (i * (a - r), k * b) if i == k else (i * a, k * (b - r))
        middle = (i * (a - r) + i * r * np.sqrt(0.5), k * (b - r) + k * r * np.sqrt(0.5))
        if r > 0.0:
            outline.Add(BRepBuilderAPI_MakeEdge(GC_MakeArcOfCircle(at(*first), at(*middle), at(*last)).Value()).Edge())
        after = (-i * (a - r), k * b) if i == k else (i * a, -k * (b - r))
        if np.hypot(last[0] - after[0], last[1] - after[1]) > 1e-9:
            outline.Add(BRepBuilderAPI_MakeEdge(at(*last), at(*after)).Edge())
    face = BRepBuilderAPI_MakeFace(outline.Wire()).Face()
    return BRepPrimAPI_MakePrism(face, gp_Vec(*(stroke.length * stroke.feed).tolist())).Shape()


def cut_away(body: NamedBody, tool: Any, name: str) -> tuple[NamedBody, Verdict]:
    """The solid less a tool, and the kernel's verdict on it. Faces keep their names; those that the tool leaves get
    `name`. Raises GeometryError where the kernel gives up or the result is not valid.

    Method: the kernel's own Boolean operations. Below, a hole of 10 mm drilled through a plate of 40 x 40 x 8.

    >>> up = np.array([0.0, 0.0, 1.0])
    >>> plate = NamedBody(facing_tool(np.zeros(3), up, 20.0, 8.0), ())
    >>> drilled, verdict = cut_away(plate, round_tool(np.zeros(3), up, 5.0, 8.0), "drain")
    >>> round(plate.volume - drilled.volume, 4), verdict.free_edges, [named.name for named in drilled.faces]
    (628.3185, 0, ['drain'])
    """
    operation = BRepAlgoAPI_Cut(body.shape, tool)
    if not operation.IsDone():
        raise GeometryError(f"The CAD kernel could not make the cut {name}; move it a little, or cut the light mesh.")
    faces = [Named(face, old.name, old.colour) for old in body.faces for face in images_of(operation, old.face)]
    faces += [Named(face, name, _CUT_COLOUR) for old in faces_of(tool) for face in images_of(operation, old)]
    result = operation.Shape()
    there = FaceMap()
    TopExp.MapShapes_s(result, TopAbs_ShapeEnum.TopAbs_FACE, there)
    made = NamedBody(result, tuple(named for named in faces if there.Contains(named.face)))
    verdict = checked(result, {}, exact=False)
    if not verdict.valid or verdict.free_edges or verdict.volume <= 0:
        raise GeometryError(
            f"The cut {name} leaves a body that the CAD kernel's own checks don't take; move it a little, "
            "or cut the light mesh."
        )
    return made, verdict


def write_solid(path: Path, body: NamedBody, name: str, what: str, schema: str = "AP242") -> None:
    """Write a solid with the names and colours of its faces as STEP; the same solid gives the same bytes.

    name    of the body
    what    one line on it for the header
    schema  "AP242" | "AP214"

    Raises OSError where the place can't be written.

    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "peg.step"
    >>> peg = NamedBody(round_tool(np.zeros(3), np.array([0.0, 0.0, 1.0]), 5.0, 20.0), ())
    >>> write_solid(path, peg, "peg", "a peg", "AP214")
    >>> "AUTOMOTIVE_DESIGN" in path.read_text("ascii")
    True
    """
    write_body(path, body.shape, name, _BODY_COLOUR, body.faces, what, schema)


def faces_of(shape: Any) -> Sequence[Any]:
    """The faces of a shape of the kernel's.

    >>> len(faces_of(round_tool(np.zeros(3), np.array([0.0, 0.0, 1.0]), 5.0, 20.0)))
    3
    """
    found, walk = [], TopExp_Explorer(shape, TopAbs_ShapeEnum.TopAbs_FACE)
    while walk.More():
        found.append(walk.Current())
        walk.Next()
    return found


def images_of(operation: BRepAlgoAPI_BooleanOperation, face: Any) -> list[Any]:
    """What an operation of the kernel's has made of a face; nothing where it is gone.

    >>> up = np.array([0.0, 0.0, 1.0])
    >>> block, drill = facing_tool(np.zeros(3), up, 20.0, 8.0), round_tool(np.zeros(3), up, 5.0, 8.0)
    >>> drilled = BRepAlgoAPI_Cut(block, drill)
    >>> [len(images_of(drilled, face)) for face in faces_of(drill)]
    [1, 0, 0]
    """
    if operation.IsDeleted(face):
        return []
    return list(operation.Modified(face)) or [face]
