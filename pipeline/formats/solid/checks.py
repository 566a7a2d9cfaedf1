"""What the CAD kernel says of a body: valid, closed, how large its volume and tolerances."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from OCP.BRep import BRep_Tool
from OCP.BRepCheck import BRepCheck_Analyzer
from OCP.BRepGProp import BRepGProp
from OCP.collections import IndexedDataMap_TopoDS_Shape_List_TopoDS_Shape_TopTools_ShapeMapHasher as EdgeMap
from OCP.GProp import GProp_GProps
from OCP.TopAbs import TopAbs_ShapeEnum
from OCP.TopExp import TopExp
from OCP.TopoDS import TopoDS


@dataclass(frozen=True)
class Verdict:
    """What the kernel says of a body.

    valid          by its own checker
    free_edges     edges of one face only
    volume         mm3
    tolerance      mm: the largest of its edges
    invalid_faces  numbers of the faces at fault, as far as faces were numbered
    """

    valid: bool
    free_edges: int
    volume: float
    tolerance: float
    invalid_faces: tuple[int, ...]


def areas_of(faces: dict[int, Any]) -> dict[int, float]:
    """mm2 of each face, by its number."""
    out, size = {}, GProp_GProps()
    for number, face in faces.items():
        BRepGProp.SurfaceProperties_s(face, size)
        out[number] = float(size.Mass())
    return out


def inside(shape: Any) -> float:
    """mm3 inside a body."""
    size = GProp_GProps()
    BRepGProp.VolumeProperties_s(shape, size)
    return float(size.Mass())


def largest_tolerance(shape: Any) -> float:
    """mm: the largest of a shape's edges, 0 where it has none."""
    return float(BRep_Tool.MaxTolerance_s(shape, TopAbs_ShapeEnum.TopAbs_EDGE))


def checked(shape: Any, faces: dict[int, Any], exact: bool = True) -> Verdict:
    """Check a body; faces by their numbers, to tell which of them are at fault.

    exact  with exact curves: for a body that was made here. One that was read has curves made by the reader, whose
           tolerances are short by less than 1e-6 mm; it is checked as the kernel does it itself

    >>> from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox
    >>> found = checked(BRepPrimAPI_MakeBox(2.0, 3.0, 4.0).Shape(), {})
    >>> found.valid, found.free_edges, round(found.volume, 9)
    (True, 0, 24.0)
    """
    # In parallel the kernel gains little and would take cores that others work on.
    analyzer = BRepCheck_Analyzer(shape, True, False, exact)
    valid = bool(analyzer.IsValid())
    bad = () if valid else tuple(n for n, face in faces.items() if not analyzer.IsValid(face))
    of_edge = EdgeMap()
    TopExp.MapShapesAndAncestors_s(shape, TopAbs_ShapeEnum.TopAbs_EDGE, TopAbs_ShapeEnum.TopAbs_FACE, of_edge)
    free = 0
    for i in range(1, of_edge.Extent() + 1):
        edge = TopoDS.Edge(of_edge.FindKey(i))
        # A seam belongs to one face, which has it twice.
        free += of_edge.FindFromIndex(i).Size() < 2 and not BRep_Tool.Degenerated_s(edge)
    return Verdict(valid, free, inside(shape), largest_tolerance(shape), bad)
