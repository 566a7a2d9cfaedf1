"""The exact planes of the open CAD parts of tests/scans.py, and which vertices of a scan lie on each.

Of .step and .brep Open CASCADE says which faces are planes. Of .stl they are read off the tessellation: facets joined
in one plane, but for chords of curved faces: those have neighbours of their own kind, turned by a few degrees and about
as wide, while a plane's neighbours are a fillet's chords, far narrower than itself, or lie beyond an edge.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from tests.scans import OpenPart, OpenScan, _facet_neighbours, _facet_normals, cached

FLAT, OFF = np.cos(1e-3), 2e-3  # of facets in one plane: cosine between normals, and mm out of it
BEND, ALIKE = (
    np.cos(np.radians(40.0)),
    0.25,
)  # of chords: cosine between neighbours; how wide to each other
SMOOTH = np.cos(np.radians(5.0))
NEAR = 1e-3  # mm from an exact plane


@dataclass(frozen=True)
class ExactPlane:
    """A plane of an open part: area mm2, a point and the outward normal, and the triangles (k, 3, 3) that it has."""

    area: float
    point: NDArray[np.float64]
    direction: NDArray[np.float64]
    triangles: NDArray[np.float64]


def planes_of(part: OpenPart, least: float) -> list[ExactPlane]:
    """The planes of at least so many mm2, largest first."""
    scale = float(np.ptp(part.vertices, axis=0).max())
    key = f"planes, chords by width and turn, {part.name} {part.path} {part.path.stat().st_mtime} {scale:.6f} {least}"
    return cached(key, lambda: _read(part, least))


def _read(part: OpenPart, least: float) -> list[ExactPlane]:
    found = _of_tessellation(part) if part.path.suffix == ".stl" else _of_brep(part)
    joined = [_plane(triangles) for triangles in found]
    return sorted((plane for plane in joined if plane.area >= least), key=lambda plane: -plane.area)


def _plane(triangles: NDArray) -> ExactPlane:
    cross = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    area = 0.5 * np.linalg.norm(cross, axis=1)
    normal = cross.sum(axis=0)
    centre = (triangles.mean(axis=1) * area[:, None]).sum(axis=0) / area.sum()
    return ExactPlane(float(area.sum()), centre, normal / np.linalg.norm(normal), triangles)


def _of_tessellation(part: OpenPart) -> list[NDArray]:
    v, f = part.vertices, part.faces
    normals, neighbours = _facet_normals(v, f), _facet_neighbours(f)
    i, k = np.nonzero(neighbours >= 0)
    j = neighbours[i, k]
    off = np.abs(np.einsum("ik,ijk->ij", normals[i], v[f[j]] - v[f[i, 0]][:, None])).max(axis=1)
    cosine = np.einsum("ij,ij->i", normals[i], normals[j])
    same = (cosine > FLAT) & (off < OFF)
    label = connected_components(coo_matrix((np.ones(same.sum()), (i[same], j[same])), shape=(len(f), len(f))))[1]
    length = np.linalg.norm(v[f[i, (k + 1) % 3]] - v[f[i, k]], axis=1)
    border = label[i] != label[j]
    areas = 0.5 * np.linalg.norm(np.cross(v[f[:, 1]] - v[f[:, 0]], v[f[:, 2]] - v[f[:, 0]]), axis=1)
    area = np.bincount(label, areas)
    round_it = np.bincount(label[i[border]], length[border], len(area))
    width = 2.0 * area / np.maximum(round_it, 1e-9)
    # A chord meets another one along the greater part of its border, or the edge of its face and one other.
    alike = border & (cosine > BEND) & (width[label[j]] > ALIKE * width[label[i]])
    chord = np.bincount(label[i[alike]], length[alike], len(area)) > 0.3 * round_it
    chord |= np.bincount(label, part.cylinder_of >= 0) > 0.5 * np.bincount(label)
    # So is a single facet that runs on within a few degrees along most of its border: no face is drawn as one triangle
    # tangent to its neighbours.
    gentle = border & (cosine > SMOOTH)
    chord |= (np.bincount(label) == 1) & (np.bincount(label[i[gentle]], length[gentle], len(area)) > 0.5 * round_it)
    return [v[f[label == index]] for index in np.flatnonzero(~chord & (area > 1.0))]


def _of_brep(part: OpenPart) -> list[NDArray]:
    from OCP.BRep import BRep_Builder, BRep_Tool
    from OCP.BRepAdaptor import BRepAdaptor_Surface
    from OCP.BRepMesh import BRepMesh_IncrementalMesh
    from OCP.BRepTools import BRepTools
    from OCP.GeomAbs import GeomAbs_Plane
    from OCP.STEPControl import STEPControl_Reader
    from OCP.TopAbs import TopAbs_FACE, TopAbs_REVERSED
    from OCP.TopExp import TopExp_Explorer
    from OCP.TopLoc import TopLoc_Location
    from OCP.TopoDS import TopoDS, TopoDS_Shape

    if part.path.suffix == ".step":
        reader = STEPControl_Reader()
        reader.ReadFile(str(part.path))
        reader.TransferRoots()
        shape = reader.OneShape()
    else:
        shape = TopoDS_Shape()
        BRepTools.Read_s(shape, str(part.path), BRep_Builder())
    BRepMesh_IncrementalMesh(shape, 0.02, False, np.radians(5.0), False)
    faces = []
    walk = TopExp_Explorer(shape, TopAbs_FACE)
    while walk.More():
        face = TopoDS.Face(walk.Current())
        walk.Next()
        place = TopLoc_Location()
        drawn = BRep_Tool.Triangulation_s(face, place)
        if drawn is None or BRepAdaptor_Surface(face).GetType() != GeomAbs_Plane:
            continue
        move = place.Transformation()
        nodes = [drawn.Node(i + 1).Transformed(move) for i in range(drawn.NbNodes())]
        corners = np.array([drawn.Triangle(i + 1).Get() for i in range(drawn.NbTriangles())]) - 1
        if face.Orientation() == TopAbs_REVERSED:
            corners = corners[:, ::-1]
        faces.append(np.array([[p.X(), p.Y(), p.Z()] for p in nodes])[corners])
    # The part may have been made larger than it is drawn.
    drawn_size = np.ptp(np.concatenate([f.reshape(-1, 3) for f in faces]), axis=0).max()
    scale = float(np.ptp(part.vertices, axis=0).max()) / drawn_size
    scale = 25.4 if scale > 20.0 else 1.0
    return [scale * triangles for triangles in faces]


def lying_on(planes: list[ExactPlane], exact: OpenScan) -> NDArray[np.int64]:
    """(n,) which of the planes each vertex of a scan without noise lies on, -1 for none."""
    import open3d as o3d

    turn, shift = exact.to_scan[:3, :3], exact.to_scan[:3, 3]
    points = (exact.vertices - shift) @ turn
    triangles = np.concatenate([plane.triangles for plane in planes])
    owner = np.repeat(np.arange(len(planes)), [len(plane.triangles) for plane in planes])
    centre = points.mean(axis=0)  # float32 is finer near the origin
    scene = o3d.t.geometry.RaycastingScene()
    corners = np.arange(3 * len(triangles), dtype=np.uint32).reshape(-1, 3)
    scene.add_triangles((triangles.reshape(-1, 3) - centre).astype(np.float32), corners)
    near = scene.compute_closest_points((points - centre).astype(np.float32))
    which = owner[near["primitive_ids"].numpy().astype(np.int64)]
    off = np.linalg.norm(near["points"].numpy() - (points - centre), axis=1)
    return np.where(off < NEAR, which, -1)
