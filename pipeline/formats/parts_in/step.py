"""A STEP file as a part: its faces as facets, and planes, cylinders, cones and spheres among them as features."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from OCP.BRep import BRep_Tool
from OCP.BRepAdaptor import BRepAdaptor_Surface
from OCP.BRepMesh import BRepMesh_IncrementalMesh
from OCP.GeomAbs import GeomAbs_SurfaceType
from OCP.TopAbs import TopAbs_Orientation, TopAbs_ShapeEnum
from OCP.TopExp import TopExp_Explorer
from OCP.TopLoc import TopLoc_Location
from OCP.TopoDS import TopoDS

from pipeline.errors import InputError
from pipeline.features.naming import numbers_for
from pipeline.fitup import Body
from pipeline.formats.solid import read_body
from pipeline.geometry import Floats, Ints
from pipeline.mesh.topology import facet_areas, facet_neighbours, facet_normals
from pipeline.values import Extent, Feature, Form, Surface, Uncertainty

CHORD = 0.01  # mm that a facet may be off its face
_ANGLE = 0.2  # rad between neighbouring facets
_SAME = 1e-6  # mm: corners of two faces nearer than this are one


@dataclass(frozen=True)
class _Face:
    vertices: Floats
    faces: Ints
    surface: Any


def body_of_step(name: str, path: Path, uncertainty: float) -> Body:
    """The part that a STEP file holds, its faces within CHORD of it.

    uncertainty  standard, mm, of every place of it; a diameter's is twice that

    Raises InputError when it can't be read, or has no faces.
    """
    if not path.is_file():
        raise InputError(f"There is no file {path}; check the name of {name}'s file in the layout.")
    try:
        shape = read_body(path)
    except OSError as error:
        raise InputError(
            f"{path} can't be read as STEP ({error.strerror}); export it anew, as AP214 or AP242."
        ) from None
    found = [] if shape.IsNull() else _faces(shape)
    if not found:
        raise InputError(f"{path} has no faces; export the part as a solid, not as wires or an empty assembly.")
    offsets = np.cumsum([0, *(len(f.vertices) for f in found)])
    points = np.vstack([f.vertices for f in found])
    cells = np.round(points / _SAME).astype(np.int64)
    _, first, index = np.unique(cells, axis=0, return_index=True, return_inverse=True)
    faces = index.ravel()[np.vstack([f.faces + n for f, n in zip(found, offsets[:-1], strict=True)])].astype(np.int32)
    of_face = np.repeat(np.arange(len(found)), [len(f.faces) for f in found])
    whole = (faces != np.roll(faces, 1, axis=1)).all(axis=1)
    faces, of_face = faces[whole], of_face[whole]
    surface = Surface.measured(points[first], faces)
    features: list[Feature] = []
    labels = np.full(len(faces), -1, np.int32)
    for n, face in enumerate(found):
        mine = of_face == n
        feature = _feature(face, surface.vertices[faces[mine]], uncertainty) if mine.any() else None
        if feature is not None:
            labels[mine] = len(features)
            features.append(feature)
    named = tuple(replace(f, id=i) for f, i in zip(features, numbers_for(features), strict=True))
    closed = bool((facet_neighbours(faces, len(surface.vertices)) >= 0).all())
    return Body(name, surface, labels, named, skin=uncertainty, bound=CHORD, closed=closed)


def _faces(shape: Any) -> list[_Face]:
    BRepMesh_IncrementalMesh(shape, CHORD, False, _ANGLE, True)
    out = []
    walk = TopExp_Explorer(shape, TopAbs_ShapeEnum.TopAbs_FACE)
    while walk.More():
        face = TopoDS.Face(walk.Current())
        walk.Next()
        place = TopLoc_Location()
        mesh = BRep_Tool.Triangulation_s(face, place)
        if mesh is None:
            continue
        moved = place.Transformation()
        points = [mesh.Node(k + 1).Transformed(moved) for k in range(mesh.NbNodes())]
        corners = np.array([mesh.Triangle(k + 1).Get() for k in range(mesh.NbTriangles())], np.int32).reshape(-1, 3) - 1
        if face.Orientation() == TopAbs_Orientation.TopAbs_REVERSED:
            corners = corners[:, ::-1]
        out.append(_Face(np.array([(p.X(), p.Y(), p.Z()) for p in points]), corners, BRepAdaptor_Surface(face)))
    return out


def _feature(face: _Face, corners: Floats, uncertainty: float) -> Feature | None:
    """The feature that a face is; its side by how its facets look. corners (k, 3, 3) mm."""
    tool, kinds = face.surface, GeomAbs_SurfaceType
    vertices, faces = corners.reshape(-1, 3), np.arange(3 * len(corners), dtype=np.int32).reshape(-1, 3)
    areas = facet_areas(vertices, faces)
    normals = facet_normals(vertices, faces)
    middles = corners.mean(axis=1)
    area = float(areas.sum())
    if area <= 0.0:
        return None
    centre = areas @ middles / area
    flat = Uncertainty(uncertainty, 0.0, None, "given")
    round_ = Uncertainty(0.0, 0.0, uncertainty, "given")
    form = Form(0.0, 0.0, 1.0, "none")
    match tool.GetType():
        case kinds.GeomAbs_Plane:
            normal = areas @ normals
            normal = normal / np.linalg.norm(normal)
            return Feature("", "plane", None, centre, normal, None, flat, form, Extent(area, 0))
        case kinds.GeomAbs_Cylinder:
            cylinder = tool.Cylinder()
            point, axis = _axis(cylinder.Axis())
            radius, angle = cylinder.Radius(), None
        case kinds.GeomAbs_Cone:
            cone = tool.Cone()
            point, axis = _axis(cone.Axis())
            angle = float(cone.SemiAngle())
            radius = cone.RefRadius() + float((centre - point) @ axis) * np.tan(angle)
            if angle < 0:
                axis, angle = -axis, -angle
        case kinds.GeomAbs_Sphere:
            at = tool.Sphere().Location()
            point = np.array([at.X(), at.Y(), at.Z()])
            side = "boss" if float(areas @ np.einsum("ij,ij->i", normals, middles - point)) > 0 else "bore"
            return Feature("", "sphere", side, point, None, tool.Sphere().Radius(), round_, form, Extent(area, 0))
        case _:
            return None
    along = (vertices - point) @ axis
    off = middles - point
    off = off - (off @ axis)[:, None] * axis
    side = "boss" if float(areas @ np.einsum("ij,ij->i", normals, off)) > 0 else "bore"
    low, high = float(along.min()), float(along.max())
    middle = 0.5 * (low + high)
    if angle is not None:
        radius += (point + middle * axis - centre) @ axis * np.tan(angle)
    span = 0.5 * (high - low)
    extent = Extent(area, 0, 2 * span, area / (2 * span * radius) if span * radius > 0 else None, (-span, span))
    kind = "cylinder" if angle is None else "cone"
    return Feature("", kind, side, point + middle * axis, axis, float(radius), round_, form, extent, half_angle=angle)


def _axis(axis: Any) -> tuple[Floats, Floats]:
    at, along = axis.Location(), axis.Direction()
    return np.array([at.X(), at.Y(), at.Z()]), np.array([along.X(), along.Y(), along.Z()])
