"""Meshes of one surface put together without moving or inventing a point: a facet is kept or it is not.

Where several meshes lie over each other, that one keeps its facets which has its own rim farthest away there: rims are
where a surface was seen at a glance. So a seam runs through the middle of what two meshes share. It is left about one
edge wide, bridged every few edges, and closed between bridges where that takes edges as short as theirs; what is left
open are holes, to be filled as such.

Lengths are mm.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from scipy.spatial import cKDTree

from pipeline.geometry import Floats, Ints, Mask, area_vectors, unit_rows
from pipeline.mesh.fill import least_bending_triangles
from pipeline.mesh.query import Scene
from pipeline.mesh.seams.surroundings import Surroundings, surroundings
from pipeline.mesh.topology import (
    boundary_loops,
    compact,
    components,
    facet_neighbours,
    mean_edge,
    vertex_normals,
)
from pipeline.values import Surface

_ALIKE = np.cos(np.radians(50.0))  # normals of one surface in two meshes
_FOOT = 0.3  # mean edges that the nearest place may lie beside a point and still be under it
_BROAD = 12.0  # mean edges from its rim where a mesh is as good as it gets
_LOOP = 24  # edges of a rim that counts; smaller ones are holes in the noise
_ROOM = 0.7  # mean edges that are left open along a seam
_CRUMB = 40  # facets of a piece that is not worth its seam
_FEW = 4  # facets of one that nothing else is there for
_SPACING = 4  # edges of a rim from bridge to bridge
_SPAN = 3.0  # mean edges, of a bridge and of what closes a seam between bridges
_BETWEEN = 40  # edges round a hole between bridges


class Stitched(NamedTuple):
    """A mesh of several.

    surface  vertices and facets, all as measured
    mesh     (m,) uint8: of which mesh each facet is; those that close a seam have that of the mesh they start from
    facet    (m,) its index there, -1 of what closes a seam
    """

    surface: Surface
    mesh: np.ndarray
    facet: Ints


def stitched(meshes: Sequence[Surface], reach: float) -> Stitched:
    """Put meshes of one surface together; `reach` mm is how far apart two of them may be and still be one surface.

    >>> import trimesh
    >>> ball = trimesh.creation.icosphere(4, 10.0)
    >>> parts = [Surface.measured(ball.vertices, ball.faces[side * ball.triangles_center[:, 2] > -3.0])
    ...          for side in (1.0, -1.0)]
    >>> one = stitched(parts, 0.05)
    >>> sum(part.facets for part in parts) > one.surface.facets > 0.9 * len(ball.faces)
    True
    """
    if len(meshes) == 1:
        count = meshes[0].facets
        return Stitched(meshes[0], np.zeros(count, np.uint8), np.arange(count, dtype=np.int32))
    edges = [mean_edge(m.vertices, m.faces) for m in meshes]
    rims = [boundary_loops(m.faces, len(m.vertices)) for m in meshes]
    broad = [_from_rim(m, loops, edge) for m, loops, edge in zip(meshes, rims, edges, strict=True)]
    trees = [Scene(m) for m in meshes]
    round_it = [surroundings(m.vertices, m.faces, reach + _FOOT * edge) for m, edge in zip(meshes, edges, strict=True)]
    normals = [vertex_normals(m.vertices, m.faces) for m in meshes]
    kept: list[Mask] = []
    for i, mesh in enumerate(meshes):
        lost = np.zeros(len(mesh.vertices), dtype=np.bool_)
        for j, other in enumerate(meshes):
            if i == j:
                continue
            index, facets = _over(
                mesh.vertices, normals[i], other, trees[j], round_it[j], reach + _FOOT * edges[j], edges[j]
            )
            there = broad[j][other.faces[facets]].mean(axis=1)
            # The mesh that comes first has the seam for itself, and the other keeps off it.
            lost[index] |= there > broad[i][index] if i < j else there >= broad[i][index] - _ROOM
        keep = np.asarray(~lost[mesh.faces].any(axis=1))
        keep[keep] = ~_crumbs(mesh.faces[keep], len(mesh.vertices))
        kept.append(keep)
    for i in range(len(meshes)):
        kept[i] |= _given_back(i, meshes, kept, normals[i], reach, edges)
    vertices, faces, owner, number, rim, start = [], [], [], [], [], 0
    for i, mesh in enumerate(meshes):
        v, f, used = compact(mesh.vertices, mesh.faces[kept[i]])
        rim.append(_at_rim(mesh, rims[i])[used])
        vertices.append(v)
        faces.append(f + start)
        start += len(v)
        owner.append(np.full(len(f), i, dtype=np.uint8))
        number.append(np.flatnonzero(kept[i]).astype(np.int32))
    v, f, of = np.concatenate(vertices), np.concatenate(faces).astype(np.int32), np.concatenate(owner)
    ends = np.cumsum([len(p) for p in vertices])
    whose = np.repeat(np.arange(len(meshes), dtype=np.int32), np.diff(ends, prepend=0))
    bridges = _bridges(v, f, whose, max(edges)).reshape(-1, 3)
    between = _between(v, np.vstack([f, bridges]), whose, np.concatenate(rim), max(edges))
    closing = np.vstack([bridges, between]).astype(np.int32)
    closing = closing[~_on_crowded_edges(f, closing)]
    whole = Surface.measured(v, np.vstack([f, closing]))
    number.append(np.full(len(closing), -1, dtype=np.int32))
    return Stitched(whole, np.append(of, whose[closing[:, 0]].astype(np.uint8)), np.concatenate(number))


def seam_middles(joined: Stitched, one: int, other: int) -> Floats:
    """(k, 3) mm, middles of the facets that close the seam between two of the meshes.

    >>> corners = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [3, 0, 0], [3, 1, 0], [4, 0, 0]], dtype=float)
    >>> facets = np.array([[0, 1, 2], [3, 5, 4], [1, 3, 2]], dtype=np.int32)
    >>> whose = np.array([0, 1, 0], dtype=np.uint8)
    >>> joined = Stitched(Surface.measured(corners, facets), whose, np.array([0, 0, -1], dtype=np.int32))
    >>> seam_middles(joined, 1, 0).round(2).tolist()
    [[1.33, 0.33, 0.0]]
    """
    v, faces, scanned = joined.surface.vertices, joined.surface.faces, joined.facet >= 0
    whose = np.zeros(len(v), dtype=np.uint8)
    whose[faces[scanned].ravel()] = np.repeat(joined.mesh[scanned], 3)
    seam = faces[~scanned]
    both = (whose[seam] == one).any(axis=1) & (whose[seam] == other).any(axis=1)
    return np.asarray(v[seam[both]].mean(axis=1))


def _on_crowded_edges(faces: Ints, closing: Ints) -> Mask:
    """(k,) which of the closing facets lie on an edge that more than two facets would share."""
    if not len(closing):
        return np.zeros(0, dtype=np.bool_)
    corners = np.zeros(int(max(faces.max(initial=0), closing.max())) + 1, dtype=np.bool_)
    corners[closing] = True
    beside = faces[corners[faces].sum(axis=1) > 1]
    edges = np.sort(np.vstack([beside, closing])[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1).astype(np.int64)
    _, which, count = np.unique(edges[:, 0] * len(corners) + edges[:, 1], return_inverse=True, return_counts=True)
    return np.asarray((count[which].reshape(-1, 3)[len(beside) :] > 2).any(axis=1))


def _given_back(
    i: int, meshes: Sequence[Surface], kept: Sequence[Mask], normals: Floats, reach: float, edges: Sequence[float]
) -> Mask:
    """(m,) facets of a mesh that had gone to others, of which none kept its own there: pieces that are too small."""
    mesh = meshes[i]
    back = ~kept[i]
    for j, other in enumerate(meshes):
        if i == j or not kept[j].any():
            continue
        v, f, _ = compact(other.vertices, other.faces[kept[j]])
        rest = Surface.measured(v, f)
        within = reach + _ROOM * edges[j]
        index = np.flatnonzero(np.bincount(mesh.faces[back].ravel(), minlength=len(mesh.vertices)))
        index = index[surroundings(v, f, within).hold(mesh.vertices[index])]
        away, facets, _ = Scene(rest).closest(mesh.vertices[index])
        across = unit_rows(area_vectors(v[f[facets]]))
        alike = np.einsum("ij,ij->i", across, normals[index]) > _ALIKE
        taken = np.zeros(len(mesh.vertices), dtype=np.bool_)
        taken[index] = (away < within) & alike
        back &= ~taken[mesh.faces].any(axis=1)
    back[back] = ~_crumbs(mesh.faces[back], len(mesh.vertices), _FEW)
    return back


def _at_rim(mesh: Surface, rim: Sequence[Ints]) -> Mask:
    """(n,) vertices on the mesh's rim, given as loops."""
    out = np.zeros(len(mesh.vertices), dtype=np.bool_)
    for loop in rim:
        out[loop] = True
    return out


def _from_rim(mesh: Surface, rim: Sequence[Ints], edge: float) -> Floats:
    """(n,) mean edges from each vertex to the mesh's rim, given as loops, as far as that matters."""
    loops = [loop for loop in rim if len(loop) >= _LOOP]
    if not loops:
        return np.full(len(mesh.vertices), _BROAD)
    tree = cKDTree(mesh.vertices[np.concatenate(loops)])
    away, _ = tree.query(mesh.vertices, distance_upper_bound=_BROAD * edge)
    return np.minimum(away / edge, _BROAD)


def _over(
    points: Floats, normals: Floats, other: Surface, tree: Scene, near: Surroundings, reach: float, edge: float
) -> tuple[Ints, Ints]:
    """Indices of the points that lie within reach over another mesh and face alike, and the facet that each lies over.

    tree, near  of the other mesh, and what is round it within that reach
    """
    index = np.flatnonzero(near.hold(points))
    away, facets, nearest = tree.closest(points[index])
    corners = other.vertices[other.faces[facets]]
    across = unit_rows(area_vectors(corners))
    gap = points[index] - nearest
    beside = np.linalg.norm(gap - np.einsum("ij,ij->i", gap, across)[:, None] * across, axis=1)
    # At a bend the nearest place lies beside the point inside the mesh too: there it is the rim that tells.
    alike = np.einsum("ij,ij->i", across, normals[index]) > _ALIKE
    over = (away < reach) & alike & (beside < _FOOT * edge)
    return index[over].astype(np.int32), facets[over]


def _crumbs(faces: Ints, count: int, fewest: int = _CRUMB) -> Mask:
    """(m,) facets of pieces that are too small."""
    labels = components(facet_neighbours(faces, count))
    return np.asarray(np.bincount(labels)[labels] < fewest) if len(faces) else np.zeros(0, dtype=np.bool_)


def _bridges(v: Floats, f: Ints, mesh: Ints, edge: float) -> Ints:
    """(b, 2, 3) two facets each, from an edge of one mesh's rim to the nearest of another's."""
    none = np.empty((0, 2, 3), dtype=np.int32)
    loops = boundary_loops(f, len(v))
    if not loops:
        return none
    first = np.concatenate(loops)
    second = np.concatenate([np.roll(loop, -1) for loop in loops])
    turn = np.concatenate([np.arange(len(loop)) for loop in loops])
    middle = 0.5 * (v[first] + v[second])
    way = unit_rows(v[second] - v[first])
    normals = vertex_normals(v, f)
    found = []
    for i in range(int(mesh.max())):
        mine = np.flatnonzero((mesh[first] > i) & (turn % _SPACING == 0))
        there = np.flatnonzero(mesh[first] == i)
        if not len(mine) or not len(there):
            continue
        away, near = cKDTree(middle[there]).query(middle[mine], k=min(6, len(there)), distance_upper_bound=_SPAN * edge)
        away, near = away.reshape(len(mine), -1), near.reshape(len(mine), -1)
        target = there[np.minimum(near, len(there) - 1)]
        against = np.einsum("ij,ikj->ik", way[mine], way[target]) < -0.5
        cost = np.where(against & np.isfinite(away), away, np.inf)
        best = np.argmin(cost, axis=1)
        rows = np.arange(len(mine))
        ok = np.isfinite(cost[rows, best])
        found.append(np.column_stack([mine[ok], target[rows, best][ok]]))
    if not found:
        return none
    pair = np.concatenate(found)
    pair = pair[np.argsort(np.linalg.norm(middle[pair[:, 0]] - middle[pair[:, 1]], axis=1), kind="stable")]
    # A corner of the rim is an end of one bridge only.
    keep = np.ones(len(pair), dtype=np.bool_)
    for corners in (first[pair[:, 0]], second[pair[:, 0]], first[pair[:, 1]], second[pair[:, 1]]):
        _, once = np.unique(corners, return_index=True)
        alone = np.zeros(len(pair), dtype=np.bool_)
        alone[once] = True
        keep &= alone
    a, b, c, d = first[pair[:, 0]], second[pair[:, 0]], first[pair[:, 1]], second[pair[:, 1]]
    keep &= ~(np.isin(c, d[keep]) | np.isin(d, c[keep]) | np.isin(a, b[keep]) | np.isin(b, a[keep]))
    bridges = np.stack([np.stack([b, a, d], axis=1), np.stack([b, d, c], axis=1)], axis=1).astype(np.int32)
    flat = unit_rows(area_vectors(v[bridges].reshape(-1, 3, 3))).reshape(-1, 2, 3)
    mean = unit_rows(normals[a] + normals[c])
    keep &= (np.einsum("bij,bj->bi", flat, mean) > _ALIKE).all(axis=1)
    return bridges[keep]


def _between(v: Floats, f: Ints, mesh: Ints, rim: Mask, edge: float) -> Ints:
    """(k, 3) facets that close holes between bridges: those that corners of more than one mesh are round, or corners
    that were no rim (n,) of their mesh."""
    rims = [
        loop
        for loop in boundary_loops(f, len(v))
        if len(loop) <= _BETWEEN
        and len(np.unique(loop)) == len(loop)
        and (np.ptp(mesh[loop]) > 0 or not rim[loop].any())
    ]
    if not rims:
        return np.empty((0, 3), dtype=np.int32)
    normals = vertex_normals(v, f)
    found = []
    for loop in rims:
        # The rim runs as its facets do, what closes it the other way round.
        corners = loop[::-1].astype(np.int32)
        triangles = least_bending_triangles(v[corners], unit_rows(normals[corners] + normals[np.roll(corners, -1)]))
        if triangles is None:
            continue
        closing = corners[triangles]
        points = v[closing]
        spans = np.linalg.norm(points - np.roll(points, -1, axis=1), axis=2)
        faces_out = np.einsum("ij,ij->i", unit_rows(area_vectors(points)), unit_rows(normals[closing].sum(axis=1)))
        if spans.max() < _SPAN * edge and faces_out.min() > _ALIKE:
            found.append(closing)
    return np.concatenate(found) if found else np.empty((0, 3), dtype=np.int32)
