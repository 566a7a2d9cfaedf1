"""Cuts of a solid by the CAD kernel, exactly, with the names of its faces carried through."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from OCP.BOPAlgo import BOPAlgo_PaveFiller
from OCP.BRepAlgoAPI import BRepAlgoAPI_BooleanOperation, BRepAlgoAPI_Common, BRepAlgoAPI_Cut
from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeEdge, BRepBuilderAPI_MakeFace, BRepBuilderAPI_MakeWire
from OCP.BRepPrimAPI import BRepPrimAPI_MakeCylinder, BRepPrimAPI_MakePrism
from OCP.collections import IndexedMap_TopoDS_Shape_TopTools_ShapeMapHasher as FaceMap
from OCP.collections import List_TopoDS_Shape
from OCP.GC import GC_MakeArcOfCircle
from OCP.gp import gp_Ax2, gp_Vec
from OCP.TopAbs import TopAbs_ShapeEnum
from OCP.TopExp import TopExp, TopExp_Explorer

from pipeline.errors import GeometryError
from pipeline.fitup import Stroke
from pipeline.formats.solid import shapes
from pipeline.formats.solid.checks import Verdict, checked, inside, largest_tolerance
from pipeline.formats.solid.document import Named, read_named, write_body
from pipeline.geometry import Floats, basis_of
from pipeline.palette import colour

_BODY_COLOUR = colour("no feature")
_CUT_COLOUR = colour("cut")
# rad, about the feed: where the seams of a round tool are tried. Where two cylinders lie nearly along each other the
# kernel may lose their crossing, and finds it when it starts elsewhere.
_SEAMS = (0.0, 1.5, 3.1, 4.7, 0.8, 2.3)
_LOST = 1e-6  # share of the body's volume by which what is left and what went may miss it
_LOOSEST = 0.01  # mm: tolerance of an edge; above it the kernel has not found the crossing that the edge should be


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
    >>> block = Stroke("block", np.zeros(3), up, 8.0, half=(20.0, 20.0), across=np.array([1.0, 0.0, 0.0]))
    >>> drain = Stroke("round", np.zeros(3), up, 8.0, 5.0)
    >>> write_solid(path, cut_away(NamedBody(stroke_tool(block), ()), drain, "drain")[0], "plate", "a plate")
    >>> again = read_solid(path)
    >>> round(again.volume, 3), [named.name for named in again.faces if named.name]
    (12171.681, ['drain'])
    """
    return NamedBody(*read_named(path))


def round_tool(point: Floats, direction: Floats, radius: float, length: float, seam: float = 0.0) -> Any:
    """What a boring bar or drill takes away: a cylinder from `point` (3,) along `direction` (3,), mm.

    seam  rad about `direction`: where its face begins and ends

    >>> round(checked(round_tool(np.zeros(3), np.array([0.0, 0.0, 1.0]), 5.0, 20.0), {}).volume, 6)
    1570.796327
    """
    u, v = basis_of(direction)
    start = shapes.direction(np.cos(seam) * u + np.sin(seam) * v)
    return BRepPrimAPI_MakeCylinder(
        gp_Ax2(shapes.point(point), shapes.direction(direction), start), radius, length
    ).Shape()


def stroke_tool(stroke: Stroke, seam: float = 0.0) -> Any:
    """What a stroke of a cut sweeps.

    seam  rad about its feed: where the faces of what is round begin and end

    >>> up, x = np.array([0.0, 0.0, 1.0]), np.array([1.0, 0.0, 0.0])
    >>> slot = Stroke("block", np.zeros(3), up, 5.0, 4.0, half=(10.0, 4.0), across=x)
    >>> round(checked(stroke_tool(slot), {}).volume - 5.0 * (12 * 8 + 16 * np.pi), 6)
    0.0
    """
    if stroke.kind == "round":
        return round_tool(stroke.start, stroke.feed, stroke.radius, stroke.length, seam)
    if stroke.kind == "ring":
        radii = (stroke.wide, stroke.radius)
        whole, core = (round_tool(stroke.start, stroke.feed, r, stroke.length, seam) for r in radii)
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


def cut_away(body: NamedBody, stroke: Stroke, name: str) -> tuple[NamedBody, Verdict]:
    """The solid less what a stroke sweeps, and the kernel's verdict on it. Faces keep their names; those that the tool
    leaves get `name`. Raises GeometryError where the kernel gives up or the result is not right: valid, closed, its
    edges where both faces are, and its volume that of the body less what body and tool have in common.

    Method: the kernel's own Boolean operations, of a round tool with its seams in several places. Below, a hole of 10
    mm drilled through a plate of 40 x 40 x 8.

    >>> up, x = np.array([0.0, 0.0, 1.0]), np.array([1.0, 0.0, 0.0])
    >>> plate = NamedBody(stroke_tool(Stroke("block", np.zeros(3), up, 8.0, half=(20.0, 20.0), across=x)), ())
    >>> drilled, verdict = cut_away(plate, Stroke("round", np.zeros(3), up, 8.0, 5.0), "drain")
    >>> round(plate.volume - drilled.volume, 4), verdict.free_edges, [named.name for named in drilled.faces]
    (628.3185, 0, ['drain'])
    """
    whole, loosest = body.volume, max(largest_tolerance(body.shape), _LOOSEST)
    seams = _SEAMS[:1] if stroke.kind == "block" else _SEAMS
    why = f"The CAD kernel could not make the cut {name}; move it a little, or cut the light mesh."
    untouched = []
    for seam in seams:
        tool = stroke_tool(stroke, seam)
        both, crossings = List_TopoDS_Shape(), BOPAlgo_PaveFiller()
        both.Append(body.shape)
        both.Append(tool)
        crossings.SetArguments(both)
        crossings.Perform()
        operation = BRepAlgoAPI_Cut(body.shape, tool, crossings)
        if not operation.IsDone():
            continue
        why = (
            f"The cut {name} leaves a body that the CAD kernel's own checks don't take; move it a little, "
            "or cut the light mesh."
        )
        verdict = checked(operation.Shape(), {}, exact=False)
        went = inside(BRepAlgoAPI_Common(body.shape, tool, crossings).Shape())
        if (
            not verdict.valid or verdict.free_edges or verdict.volume <= 0 or verdict.tolerance > loosest
            or abs(verdict.volume + went - whole) > _LOST * whole
        ):  # fmt: skip
            continue
        made = _named_after(operation, body, tool, name), verdict
        if went > _LOST * whole:
            return made
        untouched.append(made)
    # A tool that takes nothing may be one whose crossing was lost, unless all its seams say the same.
    if len(untouched) == len(seams):
        return untouched[-1]
    raise GeometryError(why)


def _named_after(operation: BRepAlgoAPI_Cut, body: NamedBody, tool: Any, name: str) -> NamedBody:
    faces = [Named(face, old.name, old.colour) for old in body.faces for face in images_of(operation, old.face)]
    faces += [Named(face, name, _CUT_COLOUR) for old in faces_of(tool) for face in images_of(operation, old)]
    there = FaceMap()
    TopExp.MapShapes_s(operation.Shape(), TopAbs_ShapeEnum.TopAbs_FACE, there)
    return NamedBody(operation.Shape(), tuple(named for named in faces if there.Contains(named.face)))


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
    >>> block, drill = round_tool(np.zeros(3), up, 20.0, 8.0), round_tool(np.zeros(3), up, 5.0, 8.0)
    >>> drilled = BRepAlgoAPI_Cut(block, drill)
    >>> [len(images_of(drilled, face)) for face in faces_of(drill)]
    [1, 0, 0]
    """
    if operation.IsDeleted(face):
        return []
    return list(operation.Modified(face)) or [face]
