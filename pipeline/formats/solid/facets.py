"""The faces of a solid of the kernel's as facets, and planes, cylinders, cones and spheres among them as features."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from OCP.BRep import BRep_Tool
from OCP.BRepAdaptor import BRepAdaptor_Surface
from OCP.BRepMesh import BRepMesh_IncrementalMesh
from OCP.BRepTools import BRepTools
from OCP.collections import IndexedMap_TopoDS_Shape_TopTools_ShapeMapHasher as FaceMap
from OCP.GeomAbs import GeomAbs_SurfaceType
from OCP.TopAbs import TopAbs_Orientation
from OCP.TopLoc import TopLoc_Location
from OCP.TopoDS import TopoDS

from pipeline.features.naming import numbers_for
from pipeline.fitup import Body
from pipeline.formats.solid.cuts import NamedBody, faces_of
from pipeline.geometry import Floats, Ints
from pipeline.mesh.topology import facet_areas, facet_neighbours, facet_normals
from pipeline.surfaces import StepSurface, kind_of, shape_from_step, surface_normal
from pipeline.values import Extent, Feature, Form, Surface, Uncertainty

CHORD = 0.01  # mm that a facet may be off its face
_ANGLE = 0.2  # rad between neighbouring facets
_SAME = 1e-6  # mm: corners of two faces nearer than this are one


@dataclass(frozen=True)
class _Face:
    vertices: Floats
    faces: Ints
    face: Any
    surface: Any


def body_of_shape(name: str, solid: NamedBody, uncertainty: float, chord: float = CHORD) -> Body:
    """The part that a solid of the kernel's is, its facets within `chord` mm of its faces.

    uncertainty  standard, mm, of every place of it; a diameter's is twice that

    Its features have the names of the faces that they are.

    >>> from pipeline.formats.solid.cuts import round_tool
    >>> from pipeline.formats.solid.document import Named
    >>> peg = round_tool(np.zeros(3), np.array([0.0, 0.0, 1.0]), 5.0, 20.0)
    >>> body = body_of_shape("peg", NamedBody(peg, (Named(faces_of(peg)[0], "seat", None),)), 0.01)
    >>> [(f.kind, f.radius, body.names.get(f.id)) for f in body.features if f.radius]
    [('cylinder', 5.0, 'seat')]
    """
    found = _faces(solid.shape, chord)
    called = FaceMap()
    names = {called.Add(named.face): named.name for named in solid.faces}
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
    told: list[str] = []
    labels = np.full(len(faces), -1, np.int32)
    # Of all facets at once: faces may be many, and most of them have few.
    corners = surface.vertices[faces]
    areas, normals = facet_areas(surface.vertices, faces), facet_normals(surface.vertices, faces)
    for n, face in enumerate(found):
        mine = of_face == n
        feature = _feature(face, corners[mine], areas[mine], normals[mine], uncertainty) if mine.any() else None
        if feature is not None:
            labels[mine] = len(features)
            features.append(feature)
            told.append(names.get(called.FindIndex(face.face), ""))
    named = tuple(replace(f, id=i) for f, i in zip(features, numbers_for(features), strict=True))
    closed = bool((facet_neighbours(faces, len(surface.vertices)) >= 0).all())
    own = {feature.id: name for feature, name in zip(named, told, strict=True) if name}
    return Body(name, surface, labels, named, own, skin=uncertainty, bound=chord, closed=closed)


def _faces(shape: Any, chord: float) -> list[_Face]:
    # What an earlier chord left on it would stay where it keeps this one.
    BRepTools.Clean_s(shape)
    BRepMesh_IncrementalMesh(shape, chord, False, _ANGLE, True)
    out = []
    for each in faces_of(shape):
        face = TopoDS.Face(each)
        place = TopLoc_Location()
        mesh = BRep_Tool.Triangulation_s(face, place)
        if mesh is None:
            continue
        moved = place.Transformation()
        points = [mesh.Node(k + 1).Transformed(moved) for k in range(mesh.NbNodes())]
        corners = np.array([mesh.Triangle(k + 1).Get() for k in range(mesh.NbTriangles())], np.int32).reshape(-1, 3) - 1
        if face.Orientation() == TopAbs_Orientation.TopAbs_REVERSED:
            corners = corners[:, ::-1]
        out.append(_Face(np.array([(p.X(), p.Y(), p.Z()) for p in points]), corners, face, BRepAdaptor_Surface(face)))
    return out


def _feature(face: _Face, corners: Floats, areas: Floats, normals: Floats, uncertainty: float) -> Feature | None:
    """The feature that a face is; its side by how its facets look. corners (k, 3, 3) mm, areas (k,) mm2, normals (k, 3)
    of these."""
    stated = _stated(face.surface)
    shape = None if stated is None else shape_from_step(stated)
    middles, area = corners.mean(axis=1), float(areas.sum())
    if shape is None or area <= 0.0:
        return None
    kind, centre = kind_of(shape), areas @ middles / area
    outwards = float(areas @ np.einsum("ij,ij->i", normals, surface_normal(shape, middles)))
    form, point, direction, radius = Form(0.0, 0.0, 1.0, "none"), shape.point, shape.direction, shape.radius
    if kind.flat:
        assert direction is not None
        known = Uncertainty(uncertainty, 0.0, None, "given")
        normal = direction if outwards > 0 else -direction
        return Feature("", shape.kind, None, centre, normal, None, known, form, Extent(area, 0))
    known = Uncertainty(0.0, 0.0, uncertainty, "given")
    extent = Extent(area, 0)
    if direction is not None and kind.ruled:
        along = (corners.reshape(-1, 3) - point) @ direction
        low, high = float(along.min()), float(along.max())
        middle = 0.5 * (low + high)
        point, span = point + middle * direction, 0.5 * (high - low)
        radius = (radius or 0.0) + middle * float(np.tan(shape.half_angle or 0.0))
        slope = float(np.cos(shape.half_angle or 0.0))
        round_it = area * slope / (2 * span * radius) if span * radius > 0 else None
        extent = Extent(area, 0, 2 * span, round_it, (-span, span))
    return Feature(
        "", shape.kind, "boss" if outwards > 0 else "bore", point, direction, radius, known, form, extent,
        half_angle=shape.half_angle, major_radius=shape.major_radius,
    )  # fmt: skip


def _stated(tool: Any) -> StepSurface | None:
    """The surface of a face in the words of ISO 10303-42; None where it is of another sort."""
    kinds = GeomAbs_SurfaceType
    match tool.GetType():
        case kinds.GeomAbs_Plane:
            return _at("PLANE", tool.Plane().Position(), ())
        case kinds.GeomAbs_Cylinder:
            return _at("CYLINDRICAL_SURFACE", tool.Cylinder().Position(), (tool.Cylinder().Radius(),))
        case kinds.GeomAbs_Cone:
            cone = tool.Cone()
            return _at("CONICAL_SURFACE", cone.Position(), (cone.RefRadius(), cone.SemiAngle()))
        case kinds.GeomAbs_Sphere:
            return _at("SPHERICAL_SURFACE", tool.Sphere().Position(), (tool.Sphere().Radius(),))
        case kinds.GeomAbs_Torus:
            torus = tool.Torus()
            return _at("TOROIDAL_SURFACE", torus.Position(), (torus.MajorRadius(), torus.MinorRadius()))
    return None


def _at(entity: str, place: Any, sizes: tuple[float, ...]) -> StepSurface:
    location, axis, across = place.Location(), place.Direction(), place.XDirection()
    point, along, reference = (np.array([v.X(), v.Y(), v.Z()]) for v in (location, axis, across))
    return StepSurface(entity, point, along, reference, sizes)
