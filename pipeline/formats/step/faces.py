"""Faces of features, trimmed to what was seen of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace
from OCP.BRepCheck import BRepCheck_Analyzer
from OCP.BRepGProp import BRepGProp
from OCP.gp import gp_Pln
from OCP.GProp import GProp_GProps
from OCP.ShapeFix import ShapeFix_Face
from OCP.TopoDS import TopoDS_Shape, TopoDS_Wire

from pipeline.formats.datum_file import FeatureRecord, FlangeRecord
from pipeline.formats.step.shapes import TOLERANCE, ax3, flat_face, outline_wire, together
from pipeline.formats.step.surfaces import surface_of
from pipeline.formats.step.trims import regions
from pipeline.geometry import Floats, basis_of
from pipeline.surfaces import KINDS

_ONE_PATCH = 0.85  # share of a plane's measured area that its flange's outline holds, if it is the whole of it


@dataclass(frozen=True)
class DrawnFlange:
    """A flange of the datum file and the matrix sketch -> part coordinates."""

    data: FlangeRecord
    to_part: NDArray[np.float64]


def place_of(feature: FeatureRecord) -> tuple[Floats, Floats]:
    """Point and direction in part coordinates; a sphere's direction is z, which says nothing about it."""
    place = feature.in_part_frame
    return np.array(place.point), np.array(place.direction or (0.0, 0.0, 1.0))


def face_within(flange: DrawnFlange, feature: FeatureRecord, point: Floats, direction: Floats) -> TopoDS_Shape | None:
    """The plane trimmed to its flange's outlines; None where the kernel finds that they make no valid face, where
    a gap of the scan breaks them, or where the plane has other pieces outside them."""
    if flange.data.outer is None:
        return None
    outlines = [flange.data.outer, *flange.data.inner]
    if any(outline.broken or outline.means == "piece" for outline in outlines):
        return None
    wires = [outline_wire(outline, flange.to_part) for outline in outlines]
    if not all(isinstance(wire, TopoDS_Wire) for wire in wires):
        return None
    made = BRepBuilderAPI_MakeFace(gp_Pln(ax3(point, direction, basis_of(direction)[0])), wires[0], True)
    for wire in wires[1:]:
        made.Add(wire)
    if not made.IsDone():
        return None
    # A full circle says nothing of its sense: the kernel turns the openings the way openings run.
    mended = ShapeFix_Face(made.Face())
    mended.FixOrientation()
    face = mended.Face()
    size = GProp_GProps()
    BRepGProp.SurfaceProperties_s(face, size)
    covers = size.Mass() > _ONE_PATCH * feature.extent.area
    return face if covers and BRepCheck_Analyzer(face).IsValid() else None


def face_of(feature: FeatureRecord, points: NDArray[np.float64], faces: NDArray[np.int32]) -> TopoDS_Shape | None:
    """The surface trimmed to what was seen of it; None where the light mesh has nothing of it, or where its kind has
    no face in STEP."""
    if not len(faces):
        return None
    point, direction = place_of(feature)
    if KINDS[feature.kind].flat:
        return _plane_face(point, direction, points, faces)
    made = surface_of(feature, point, direction, points[np.unique(faces)] - point)
    if made is None:
        return None
    surface, patch = made
    if min(high - low for low, high in (patch.around, patch.along)) < 1e-9:
        return None
    trimmed = BRepBuilderAPI_MakeFace(surface, *patch.around, *patch.along, TOLERANCE)
    if not trimmed.IsDone():
        return None
    face = trimmed.Face()
    # The kernel's normal points away from the axis; out of the material it points to it in a bore.
    return face if feature.side == "boss" else face.Reversed()


def _plane_face(
    point: Floats, direction: Floats, points: NDArray[np.float64], faces: NDArray[np.int32]
) -> TopoDS_Shape | None:
    first, second = basis_of(direction)
    flat = (points - point) @ np.stack([first, second], axis=1)
    made = [flat_face(r, point, direction, first, second) for r in regions(flat, faces)]
    return together(made) if made else None
