"""reference.step: faces, axes, points, datums and flange outlines as reference geometry for CAD (ISO 10303-21).

Everything is taken from the datum file, in part coordinates and millimetres; the light mesh only says how far
each face was seen. Each item is a product of its own, whose name is plain ASCII and begins with the feature's
id, and none is a solid. The same data give the same bytes: the header's time stamp is a fixed one.
"""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from OCP.APIHeaderSection import APIHeaderSection_MakeHeader
from OCP.BRep import BRep_Builder
from OCP.BRepBuilderAPI import (
    BRepBuilderAPI_MakeEdge,
    BRepBuilderAPI_MakeFace,
    BRepBuilderAPI_MakePolygon,
    BRepBuilderAPI_MakeVertex,
    BRepBuilderAPI_MakeWire,
)
from OCP.BRepCheck import BRepCheck_Analyzer
from OCP.BRepGProp import BRepGProp
from OCP.GC import GC_MakeArcOfCircle
from OCP.Geom import (
    Geom_ConicalSurface,
    Geom_CylindricalSurface,
    Geom_SphericalSurface,
    Geom_ToroidalSurface,
)
from OCP.gp import gp_Ax2, gp_Ax3, gp_Circ, gp_Dir, gp_Lin, gp_Pln, gp_Pnt
from OCP.GProp import GProp_GProps
from OCP.IFSelect import IFSelect_RetDone
from OCP.Interface import Interface_Static
from OCP.Message import Message
from OCP.ShapeFix import ShapeFix_Face
from OCP.STEPCAFControl import STEPCAFControl_Writer
from OCP.STEPControl import STEPControl_AsIs, STEPControl_Controller
from OCP.TCollection import TCollection_ExtendedString, TCollection_HAsciiString
from OCP.TDataStd import TDataStd_Name
from OCP.TDocStd import TDocStd_Document
from OCP.TopoDS import TopoDS_Compound, TopoDS_Edge, TopoDS_Face, TopoDS_Shape, TopoDS_Wire
from OCP.XCAFApp import XCAFApp_Application
from OCP.XCAFDoc import XCAFDoc_DocumentTool

from pipeline.formats import trims
from pipeline.geometry import Floats as Vector
from pipeline.geometry import box_of
from pipeline.surfaces import basis_of

SCHEMAS = {"AP242": "AP242DIS", "AP214": "AP214IS"}

Item = tuple[str, str, TopoDS_Shape]  # layer, name, shape

_PATTERN_NAMES = {"pitch_circle": "pitch circle", "coaxial": "common axis", "mid_plane": "mid plane"}
_TOLERANCE = 1e-7  # mm, the kernel's own confusion
_FIXED_TIME = "2000-01-01T00:00:00"
_OVERHANG = 0.15  # share of its length by which an axis stands out of its feature at each end
_ONE_PATCH = 0.85  # share of a plane's measured area that its flange's outline holds, if it is the whole of it
_SMALLEST_RADIUS = 1e-3  # mm: a cone is cut off before its tip


@dataclass(frozen=True)
class Seen:
    """What of the features was measured, as the light mesh has it: points (n, 3) in part coordinates, faces
    (m, 3) and their labels (m,), filled facets left out."""

    points: NDArray[np.float64]
    faces: NDArray[np.int32]
    labels: NDArray[np.int32]


@dataclass(frozen=True)
class _Flange:
    """A flange of the datum file and the matrix sketch -> part coordinates."""

    data: dict[str, Any]
    to_part: NDArray[np.float64]


def write_step(path: Path, data: dict[str, Any], seen: Seen, schema: str = "AP242") -> tuple[str, ...]:
    """Write the reference geometry of a datum file. schema: "AP242" | "AP214".

    Returns the ids of features that got no face, because the light mesh has nothing of them or the kernel can't
    make a valid one of what it has. Raises OSError when the place can't be written.
    """
    Message.DefaultMessenger_s().ChangePrinters().Clear()
    document = TDocStd_Document(TCollection_ExtendedString("BinXCAF"))
    XCAFApp_Application.GetApplication_s().NewDocument(TCollection_ExtendedString("BinXCAF"), document)
    shapes = XCAFDoc_DocumentTool.ShapeTool_s(document.Main())
    layers = XCAFDoc_DocumentTool.LayerTool_s(document.Main())
    drawn = set()
    for layer, name, shape in items(data, seen):
        drawn.add(name)
        label = shapes.AddShape(shape, False)
        TDataStd_Name.Set_s(label, TCollection_ExtendedString(name))
        layers.SetLayer(label, TCollection_ExtendedString(layer))
    STEPControl_Controller.Init_s()  # which sets defaults: before our own settings, or they would be lost
    settings = {"write.step.schema": SCHEMAS[schema], "write.step.unit": "MM"}
    for key, value in settings.items():
        Interface_Static.SetCVal_s(key, value)
    Interface_Static.SetIVal_s("write.surfacecurve.mode", 0)
    writer = STEPCAFControl_Writer()
    writer.SetNameMode(True)
    writer.SetLayerMode(True)
    if not writer.Transfer(document, STEPControl_AsIs):
        raise OSError(5, "the CAD kernel could not turn the reference geometry into STEP")
    header = APIHeaderSection_MakeHeader(writer.ChangeWriter().Model())
    header.SetName(TCollection_HAsciiString("reference.step"))
    header.SetTimeStamp(TCollection_HAsciiString(_FIXED_TIME))
    header.SetAuthorValue(1, TCollection_HAsciiString("datumlift"))
    header.SetOrganizationValue(1, TCollection_HAsciiString(""))
    header.SetOriginatingSystem(TCollection_HAsciiString("datumlift"))
    header.SetDescriptionValue(1, TCollection_HAsciiString("Reference geometry recovered from a scan, no solid"))
    if writer.Write(str(path)) != IFSelect_RetDone:
        raise OSError(5, "the CAD kernel could not write the STEP file")
    return tuple(f["id"] for f in data["features"] if f"{label_of(f)} face" not in drawn)


def items(data: dict[str, Any], seen: Seen) -> Iterator[Item]:
    """Layer, name and shape of everything that goes into the file, in its order."""
    reach = max(float(np.linalg.norm(np.ptp(seen.points, axis=0))), 1.0) if len(seen.points) else 100.0
    yield "FRAME", "part frame origin", _vertex(np.zeros(3))
    for axis, direction in zip("xyz", np.eye(3), strict=True):
        yield "FRAME", f"part frame {axis} axis", _line(np.zeros(3), direction, 0.0, reach / 4)
    yield from _datums(data, seen.points)
    matrix = np.array(data["frame"]["matrix"])
    flanges = {f["feature"]: _Flange(f, matrix @ np.linalg.inv(np.array(f["matrix"]))) for f in data["flanges"]}
    for index, feature in enumerate(data["features"]):
        for layer, name, shape in _feature_items(feature, seen, index, flanges.get(feature["id"])):
            yield layer if feature["confidence"] == "good" else "UNSURE", name, shape
    yield from _pattern_items(data, seen.points)
    for flange in flanges.values():
        yield from _flange_items(flange)


def label_of(feature: dict[str, Any]) -> str:
    """A feature's id, and its name where the user gave one, in plain ASCII."""
    name = unicodedata.normalize("NFKD", feature["name"] or "").encode("ascii", "ignore").decode("ascii")
    return " ".join([feature["id"], *name.replace("'", "").split()])


def _datums(data: dict[str, Any], points: NDArray[np.float64]) -> Iterator[Item]:
    """Each datum as the plane, axis or point that it stands for, as large as the part."""
    if not len(points):
        return
    for datum in data["frame"]["datums"]:
        name = f"datum {datum['letter']} {datum['feature']}"
        found = datum["situation"]
        point, direction = np.array(found["point"]), np.array(found["direction"] or (0.0, 0.0, 1.0))
        if found["kind"] == "plane":
            yield "DATUMS", name, _wide_plane(point, direction, points)
        elif found["kind"] == "point":
            yield "DATUMS", name, _vertex(point)
        else:
            yield "DATUMS", name, _long_line(point, direction, points)


def _feature_items(feature: dict[str, Any], seen: Seen, index: int, flange: _Flange | None) -> Iterator[Item]:
    name = label_of(feature)
    point, direction = _place(feature)
    faces = seen.faces[seen.labels == index]
    face = None if flange is None else _face_within(flange, feature, point, direction)
    if face is None:
        face = _face(feature, seen.points, faces)
    if face is not None and BRepCheck_Analyzer(face).IsValid():
        yield "FACES", f"{name} face", face
    if feature["kind"] in ("cylinder", "cone", "torus"):
        low, high = feature["extent"]["along"] or (-feature["radius"], feature["radius"])
        out = max(_OVERHANG * (high - low), 1.0)
        yield "AXES", f"{name} axis", _line(point, direction, low - out, high + out)
    if feature["kind"] != "plane":
        yield "POINTS", f"{name} centre", _vertex(point)


def _pattern_items(data: dict[str, Any], points: NDArray[np.float64]) -> Iterator[Item]:
    """Pitch circles, common axes and mid-planes, numbered by kind."""
    numbers = {"pitch_circle": 0, "coaxial": 0, "mid_plane": 0}
    for pattern in data["patterns"]:
        place, kind = pattern.get("in_part_frame"), pattern["kind"]
        if kind not in numbers or place is None or place["normal"] is None or not len(points):
            continue
        numbers[kind] += 1
        centre, normal = np.array(place["centre"]), np.array(place["normal"])
        name = f"{_PATTERN_NAMES[kind]} {numbers[kind]}"
        if kind == "pitch_circle":
            yield "PITCH", name, _wire([_circle(centre, normal, pattern["diameter"] / 2)])
            yield "POINTS", f"{name} centre", _vertex(centre)
        elif kind == "coaxial":
            yield "AXES", name, _long_line(centre, normal, points)
        else:
            yield "MIDDLES", name, _wide_plane(centre, normal, points)


def _flange_items(flange: _Flange) -> Iterator[Item]:
    data, to_part = flange.data, flange.to_part
    name = f"flange {data['feature']}"
    if data["outer"] is not None:
        yield "OUTLINE", f"{name} outline", _outline(data["outer"], to_part)
    for number, inner in enumerate(data["inner"], 1):
        yield "OPENINGS", f"{name} opening {number}", _outline(inner, to_part)
    for hole in data["holes"]:
        yield "POINTS", f"{name} hole {hole['feature']}", _vertex(_lifted(to_part, hole["place"]))


def _face_within(flange: _Flange, feature: dict[str, Any], point: Vector, direction: Vector) -> TopoDS_Shape | None:
    """The plane trimmed to its flange's outlines; None where the kernel finds that they make no valid face, where
    a gap of the scan breaks them, or where much of the plane lies outside them (it has other patches)."""
    outlines = [flange.data["outer"], *flange.data["inner"]]
    if any(outline is None or outline["broken"] for outline in outlines):
        return None
    wires = [_outline(outline, flange.to_part) for outline in outlines]
    if not all(isinstance(wire, TopoDS_Wire) for wire in wires):
        return None
    made = BRepBuilderAPI_MakeFace(gp_Pln(_ax3(point, direction, _cross_axes(direction)[0])), wires[0], True)
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
    covers = size.Mass() > _ONE_PATCH * feature["extent"]["area"]
    return face if covers and BRepCheck_Analyzer(face).IsValid() else None


def _place(feature: dict[str, Any]) -> tuple[Vector, Vector]:
    """Point and direction in part coordinates; a sphere's direction is z, which says nothing about it."""
    place = feature["in_part_frame"]
    return np.array(place["point"]), np.array(place["direction"] or (0.0, 0.0, 1.0))


def _face(feature: dict[str, Any], points: NDArray[np.float64], faces: NDArray[np.int32]) -> TopoDS_Shape | None:
    """The surface trimmed to what was seen of it; None where the light mesh has nothing of it."""
    if not len(faces):
        return None
    point, direction = _place(feature)
    if feature["kind"] == "plane":
        return _plane_face(point, direction, points, faces)
    near = points[np.unique(faces)] - point
    surface, patch = _trimmed(feature, point, direction, near)
    if min(high - low for low, high in (patch.around, patch.along)) < 1e-9:
        return None
    made = BRepBuilderAPI_MakeFace(surface, *patch.around, *patch.along, _TOLERANCE)
    if not made.IsDone():
        return None
    face = made.Face()
    # The kernel's normal points away from the axis; out of the material it points to it in a bore.
    return face if feature["side"] == "boss" else face.Reversed()


def _trimmed(
    feature: dict[str, Any], point: Vector, direction: Vector, near: NDArray[np.float64]
) -> tuple[Any, trims.Patch]:
    """The kernel's surface of a round feature and the range of its parameters that `near` - point - covers."""
    radius = feature["radius"]
    if feature["kind"] == "sphere":
        rays = near / np.maximum(np.linalg.norm(near, axis=1, keepdims=True), _TOLERANCE)
        direction = trims.symmetry_axis(rays)
        first, second = _cross_axes(direction)
        patch = trims.ball_patch(np.arctan2(rays @ second, rays @ first), np.arcsin(np.clip(rays @ direction, -1, 1)))
        return Geom_SphericalSurface(_ax3(point, direction, first), radius), patch
    first, second = _cross_axes(direction)
    frame = _ax3(point, direction, first)
    along = near @ direction
    # Long light facets reach over the ends of what was measured: the extent, taken from the scan, knows better.
    low, high = feature["extent"]["along"] or (float(along.min()), float(along.max()))
    around = trims.turn_seen(np.arctan2(near @ second, near @ first), trims.is_whole(feature["extent"]["arc"]))
    if feature["kind"] == "cylinder":
        return Geom_CylindricalSurface(frame, radius), trims.Patch(around, (low, high))
    if feature["kind"] == "cone":
        # The kernel's parameter runs along the slant, from the circle of `radius`.
        half = math.radians(feature["half_angle"])
        tip = (_SMALLEST_RADIUS - radius) / math.sin(half)
        slant = (max(low / math.cos(half), tip), high / math.cos(half))
        return Geom_ConicalSurface(frame, half, radius), trims.Patch(around, slant)
    out = np.hypot(near @ first, near @ second) - feature["major_radius"]
    tube = trims.turn_seen(np.arctan2(along, out), False)
    return Geom_ToroidalSurface(frame, feature["major_radius"], radius), trims.Patch(around, tube)


def _plane_face(
    point: Vector, direction: Vector, points: NDArray[np.float64], faces: NDArray[np.int32]
) -> TopoDS_Shape | None:
    first, second = _cross_axes(direction)
    flat = (points - point) @ np.stack([first, second], axis=1)
    made = [_flat_face(r, point, direction, first, second) for r in trims.regions(flat, faces)]
    return _together(made) if made else None


def _flat_face(region: trims.Region, point: Vector, direction: Vector, first: Vector, second: Vector) -> TopoDS_Face:
    def wire(polygon: NDArray[np.float64]) -> TopoDS_Wire:
        made = BRepBuilderAPI_MakePolygon()
        for x, y in polygon:
            made.Add(_pnt(point + x * first + y * second))
        made.Close()
        return made.Wire()

    plane = gp_Pln(_ax3(point, direction, first))
    face = BRepBuilderAPI_MakeFace(plane, wire(region.outer), True)
    for opening in region.openings:
        face.Add(wire(opening))
    return face.Face()


def _outline(outline: dict[str, Any], to_part: NDArray[np.float64]) -> TopoDS_Shape:
    normal = to_part[:3, 2]
    edges = []
    for segment in outline["segments"]:
        start, end = _lifted(to_part, segment["start"]), _lifted(to_part, segment["end"])
        if segment["kind"] == "circle":
            edges.append(_circle(_lifted(to_part, segment["centre"]), normal, segment["radius"]))
        elif segment["kind"] == "arc":
            centre = _lifted(to_part, segment["centre"])
            edges.append(_arc(centre, normal if segment["ccw"] else -normal, segment["radius"], start, end))
        elif segment["kind"] == "line":
            edges += [_straight(start, end)] if math.dist(start, end) > _TOLERANCE else []
        else:
            corners = [_lifted(to_part, p) for p in segment["points"]]
            edges += [_straight(a, b) for a, b in pairwise(corners) if math.dist(a, b) > _TOLERANCE]
    return _wire(edges)


def _cross_axes(direction: Vector) -> tuple[Vector, Vector]:
    """Two unit vectors that make a right-handed system with `direction` as the third."""
    first = basis_of(direction)[0]
    return first, np.cross(direction, first)


def _lifted(to_part: NDArray[np.float64], place: Any) -> Vector:
    return to_part[:3, :2] @ np.asarray(place, float) + to_part[:3, 3]


def _pnt(point: Vector) -> gp_Pnt:
    return gp_Pnt(*map(float, point))


def _dir(direction: Vector) -> gp_Dir:
    return gp_Dir(*map(float, direction))


def _ax3(point: Vector, direction: Vector, first: Vector) -> gp_Ax3:
    return gp_Ax3(_pnt(point), _dir(direction), _dir(first))


def _vertex(point: Vector) -> TopoDS_Shape:
    return BRepBuilderAPI_MakeVertex(_pnt(point)).Vertex()


def _straight(start: Vector, end: Vector) -> TopoDS_Edge:
    return BRepBuilderAPI_MakeEdge(_pnt(start), _pnt(end)).Edge()


def _line(point: Vector, direction: Vector, low: float, high: float) -> TopoDS_Edge:
    """The stretch low..high of the line, its origin kept at `point`."""
    if high - low < 1.0:
        low, high = low - 0.5, high + 0.5
    return BRepBuilderAPI_MakeEdge(gp_Lin(_pnt(point), _dir(direction)), low, high).Edge()


def _long_line(point: Vector, direction: Vector, points: NDArray[np.float64]) -> TopoDS_Edge:
    """A line as long as the part."""
    along = (points - point) @ direction
    return _line(point, direction, float(along.min()), float(along.max()))


def _wide_plane(point: Vector, direction: Vector, points: NDArray[np.float64]) -> TopoDS_Face:
    """A plane as wide as the part."""
    first, second = _cross_axes(direction)
    places = (points - point) @ np.stack([first, second], axis=1)
    (x0, y0), (x1, y1) = box_of(places)
    region = trims.Region(np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)]))
    return _flat_face(region, point, direction, first, second)


def _gp_circle(centre: Vector, normal: Vector, radius: float) -> gp_Circ:
    return gp_Circ(gp_Ax2(_pnt(centre), _dir(normal), _dir(basis_of(normal)[0])), float(radius))


def _circle(centre: Vector, normal: Vector, radius: float) -> TopoDS_Edge:
    return BRepBuilderAPI_MakeEdge(_gp_circle(centre, normal, radius)).Edge()


def _arc(centre: Vector, normal: Vector, radius: float, start: Vector, end: Vector) -> TopoDS_Edge:
    """Counter-clockwise about `normal` from start to end."""
    made = BRepBuilderAPI_MakeEdge(_gp_circle(centre, normal, radius), _pnt(start), _pnt(end))
    if made.IsDone():
        return made.Edge()
    # Ends a little off the circle: the arc through both of them and its own middle keeps the outline closed.
    first = (start - centre) / np.linalg.norm(start - centre)
    second = np.cross(normal, first)
    turn = float(np.arctan2((end - centre) @ second, (end - centre) @ first)) % trims.FULL_TURN
    middle = centre + radius * (math.cos(turn / 2) * first + math.sin(turn / 2) * second)
    return BRepBuilderAPI_MakeEdge(GC_MakeArcOfCircle(_pnt(start), _pnt(middle), _pnt(end)).Value()).Edge()


def _wire(edges: list[TopoDS_Edge]) -> TopoDS_Shape:
    made = BRepBuilderAPI_MakeWire()
    for edge in edges:
        made.Add(edge)
        if not made.IsDone():
            # Ends that do not quite meet: the pieces are kept as they are, unjoined.
            return _together(edges)
    return made.Wire()


def _together(shapes: Sequence[TopoDS_Shape]) -> TopoDS_Shape:
    if len(shapes) == 1:
        return shapes[0]
    compound = TopoDS_Compound()
    builder = BRep_Builder()
    builder.MakeCompound(compound)
    for shape in shapes:
        builder.Add(compound, shape)
    return compound
