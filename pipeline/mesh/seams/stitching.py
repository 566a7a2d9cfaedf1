"""Meshes of one surface put together without moving or inventing a point: a facet is kept or it is not.

Where several meshes lie over each other, that one keeps its facets which has its own rim farthest away there: rims are
where a surface was seen at a glance. So a seam runs through the middle of what two meshes share. It is left about one
edge wide, bridged every few edges, and closed between bridges where that takes edges as short as theirs; what is left
open are holes, to be filled as such.

Lengths are mm.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
from scipy.spatial import cKDTree

from pipeline.geometry import Floats, Ints, Mask, area_vectors, unit_rows
from pipeline.mesh.fill import least_bending_triangles
from pipeline.mesh.query import Scene
from pipeline.mesh.seams.surroundings import surroundings
from pipeline.mesh.topology import (
    boundary_loops,
    compact,
    components,
    facet_neighbours,
    facets_at,
    mean_edge,
    neighbours_without,
    vertex_normals,
)
from pipeline.values import Surface

_ALIKE = np.cos(np.radians(50.0))  # normals of one surface in two meshes
_FOOT = 0.3  # mean edges that the nearest place may lie beside a point and still be under it
_BROAD = 12.0  # mean edges from its rim where a mesh is as good as it gets
_LOOP = 24  # edges of a rim that counts; smaller ones are holes in the noise
_ROOM = 0.35  # mean edges that two meshes keep apart at a seam; what closes it then has edges as long as theirs
_CRUMB = 40  # facets of a piece that is not worth its seam
_FEW = 4  # facets of one that nothing else is there for
_SPACING = 4  # edges of a rim from bridge to bridge
_SPAN = 3.0  # mean edges, of a bridge and of what closes a seam between bridges
# Places of a facet that are looked at, by the shares of its corners.
_PLACES = np.vstack([np.full((1, 3), 1.0 / 3.0), np.eye(3) * 0.6 + 0.2 * (1.0 - np.eye(3))])
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


def stitched(meshes: Sequence[Surface], reach: float, neighbours: Sequence[Ints] | None = None) -> Stitched:
    """Put meshes of one surface together; `reach` mm is how far apart two of them may be and still be one surface.

    neighbours  of each mesh's facets, (m, 3), if they are known already; no edge may have more than two facets

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
    if neighbours is None:
        neighbours = [facet_neighbours(m.faces, len(m.vertices)) for m in meshes]
    edges = [mean_edge(m.vertices, m.faces) for m in meshes]
    rims = [boundary_loops(m.faces, len(m.vertices), beside) for m, beside in zip(meshes, neighbours, strict=True)]
    normals = [vertex_normals(m.vertices, m.faces) for m in meshes]
    kept, over = _kept(meshes, edges, rims, normals, neighbours, reach)
    for i in range(len(meshes)):
        kept[i] |= _given_back(i, meshes, kept, over, normals[i], neighbours[i], reach, edges)
    vertices, faces, beside, owner, number, rim = [], [], [], [], [], []
    start = first = 0
    for i, mesh in enumerate(meshes):
        v, f, used = compact(mesh.vertices, mesh.faces[kept[i]])
        rim.append(_at_rim(mesh, rims[i])[used])
        vertices.append(v)
        faces.append(f + start)
        left = neighbours_without(neighbours[i].copy(), ~kept[i])
        beside.append(np.where(left >= 0, left + first, left))
        start, first = start + len(v), first + len(f)
        owner.append(np.full(len(f), i, dtype=np.uint8))
        number.append(np.flatnonzero(kept[i]).astype(np.int32))
    v, f, of = np.concatenate(vertices), np.concatenate(faces).astype(np.int32), np.concatenate(owner)
    whose = np.repeat(np.arange(len(meshes), dtype=np.int32), [len(p) for p in vertices])
    closing = _closing(v, f, np.concatenate(beside).astype(np.int32), whose, np.concatenate(rim), max(edges), reach)
    whole = Surface.measured(v, np.vstack([f, closing]))
    number.append(np.full(len(closing), -1, dtype=np.int32))
    return Stitched(whole, np.append(of, whose[closing[:, 0]].astype(np.uint8)), np.concatenate(number))


def _kept(
    meshes: Sequence[Surface],
    edges: Sequence[float],
    rims: Sequence[Sequence[Ints]],
    normals: Sequence[Floats],
    neighbours: Sequence[Ints],
    reach: float,
) -> tuple[list[Mask], dict[tuple[int, int], _Over]]:
    """(m,) facets of each mesh that no other has better, and what of each was found to lie over each other one."""
    broad = [_FromRim(m, loops, edge) for m, loops, edge in zip(meshes, rims, edges, strict=True)]
    trees = [Scene(m) for m in meshes]
    round_it = [surroundings(m.vertices, m.faces, reach + _FOOT * edge) for m, edge in zip(meshes, edges, strict=True)]
    kept: list[Mask] = []
    over: dict[tuple[int, int], _Over] = {}
    for i, mesh in enumerate(meshes):
        lost = np.zeros(len(mesh.vertices), dtype=np.bool_)
        for j, other in enumerate(meshes):
            if i == j:
                continue
            index = np.flatnonzero(round_it[j].hold(mesh.vertices)).astype(np.int32)
            here = broad[i].of(index)
            if i < j:
                # What lies as far from its own rim as that matters gives way to nothing.
                index, here = index[here < _BROAD], here[here < _BROAD]
            found = _over(index, mesh.vertices, normals[i], other, trees[j], reach + _FOOT * edges[j], edges[j])
            over[i, j] = found
            there = np.zeros(len(index))
            there[found.over] = broad[j].of(other.faces[found.facets[found.over]].ravel()).reshape(-1, 3).mean(axis=1)
            # The mesh that comes first has the seam for itself, and the other keeps off it.
            lost[index] |= found.over & ((there > here) if i < j else (there >= here - _ROOM))
        keep = np.asarray(~lost[mesh.faces].any(axis=1))
        keep[keep] = ~_crumbs(neighbours[i], keep)
        kept.append(keep)
    return kept, over


def _closing(v: Floats, f: Ints, neighbours: Ints, whose: Ints, rim: Mask, edge: float, reach: float) -> Ints:
    """(k, 3) facets that close the seams of pieces put together: bridges, and what closes the holes between these.

    neighbours  (m, 3) of the facets; whose (n,) mesh, and rim (n,) of it, a vertex is
    """
    bridges = _bridges(v, f, neighbours, whose, edge)
    over = _lying_over(v, f, bridges.reshape(-1, 3), reach).reshape(-1, 2).any(axis=1)
    bridges = bridges[~over].reshape(-1, 3)
    beside = _with_more(f, neighbours, bridges, len(v))
    between = _between(v, np.vstack([f, bridges]), beside, whose, rim, edge, reach)
    closing = np.vstack([bridges, between]).astype(np.int32)
    return closing[~_on_crowded_edges(f, closing)]


def _with_more(f: Ints, neighbours: Ints, more: Ints, n: int) -> Ints:
    """(m + k, 3) the neighbours (m, 3) of facets f (m, 3) over n vertices and of k more that stand behind them.

    >>> f, more = np.array([[0, 1, 2]], np.int32), np.array([[0, 2, 3]], np.int32)
    >>> _with_more(f, np.full((1, 3), -1, np.int32), more, 4).tolist()
    [[-1, -1, 1], [0, -1, -1]]
    """
    new = np.zeros(n, dtype=np.bool_)
    new[more] = True
    whole = np.vstack([f, more])
    # An edge of the new facets joins two of their corners: whoever else has it has both.
    asked = np.flatnonzero(facets_at(whole, new))
    asked = asked[new[whole[asked]].sum(axis=1) > 1]
    found = facet_neighbours(whole[asked], n)
    found = np.where(found >= 0, asked[found], found)
    out = np.vstack([neighbours, np.full((len(more), 3), -1, dtype=np.int32)])
    between = new[whole[asked]] & new[np.roll(whole[asked], -1, axis=1)]
    out[asked] = np.where(between, found, out[asked])
    return out


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
    i: int,
    meshes: Sequence[Surface],
    kept: Sequence[Mask],
    over: Mapping[tuple[int, int], _Over],
    normals: Floats,
    neighbours: Ints,
    reach: float,
    edges: Sequence[float],
) -> Mask:
    """(m,) facets of a mesh that had gone to others, of which none kept its own there: pieces that are too small."""
    mesh = meshes[i]
    back = ~kept[i]
    for j, other in enumerate(meshes):
        if i == j or not kept[j].any():
            continue
        corners = np.zeros(len(mesh.vertices), dtype=np.bool_)
        corners[mesh.faces[back].ravel()] = True
        within = reach + _ROOM * edges[j]
        taken = np.zeros(len(mesh.vertices), dtype=np.bool_)
        # The nearest facet of the whole mesh is the nearest of what is left of it, where it is left.
        known = over[i, j]
        left = kept[j][known.facets]
        taken[known.which[left & (known.away < within) & known.alike]] = True
        corners[known.which[left]] = False
        v, f, _ = compact(other.vertices, other.faces[kept[j]])
        index = np.flatnonzero(corners)
        index = index[surroundings(v, f, within).hold(mesh.vertices[index])]
        away, facets, _ = Scene(Surface.measured(v, f)).closest(mesh.vertices[index])
        alike = np.einsum("ij,ij->i", unit_rows(area_vectors(v[f[facets]])), normals[index]) > _ALIKE
        taken[index[(away < within) & alike]] = True
        back &= ~taken[mesh.faces].any(axis=1)
    back[back] = ~_crumbs(neighbours, back, _FEW)
    return back


def _at_rim(mesh: Surface, rim: Sequence[Ints]) -> Mask:
    """(n,) vertices on the mesh's rim, given as loops."""
    out = np.zeros(len(mesh.vertices), dtype=np.bool_)
    for loop in rim:
        out[loop] = True
    return out


class _FromRim:
    """Mean edges from vertices of a mesh to its rim, given as loops, as far as that matters; looked up when asked."""

    def __init__(self, mesh: Surface, rim: Sequence[Ints], edge: float) -> None:
        loops = [loop for loop in rim if len(loop) >= _LOOP]
        self._vertices, self._edge = mesh.vertices, edge
        self._tree = cKDTree(mesh.vertices[np.concatenate(loops)]) if loops else None
        self._known = np.full(len(mesh.vertices), np.nan if loops else _BROAD)

    def of(self, index: Ints) -> Floats:
        """(k,) of vertices (k,)."""
        asked = np.zeros(len(self._known), dtype=np.bool_)
        asked[index] = True
        new = np.flatnonzero(asked & np.isnan(self._known))
        if self._tree is not None and len(new):
            away, _ = self._tree.query(self._vertices[new], distance_upper_bound=_BROAD * self._edge)
            self._known[new] = np.minimum(away / self._edge, _BROAD)
        return np.asarray(self._known[index])


class _Over(NamedTuple):
    """How vertices of a mesh lie to another mesh.

    which, facets  (k,) the vertices, and the other's facet that is nearest to each
    away, alike    (k,) mm to it, and whether both face alike
    over           (k,) whether the vertex lies within reach over it
    """

    which: Ints
    facets: Ints
    away: Floats
    alike: Mask
    over: Mask


def _over(
    index: Ints, vertices: Floats, normals: Floats, other: Surface, tree: Scene, reach: float, edge: float
) -> _Over:
    """How vertices (k,) of a mesh (n, 3) with normals (n, 3) lie to another one, whose tree is given."""
    points = vertices[index]
    away, facets, nearest = tree.closest(points)
    across = unit_rows(area_vectors(other.vertices[other.faces[facets]]))
    gap = points - nearest
    beside = np.linalg.norm(gap - np.einsum("ij,ij->i", gap, across)[:, None] * across, axis=1)
    alike = np.einsum("ij,ij->i", across, normals[index]) > _ALIKE
    # At a bend the nearest place lies beside the point inside the mesh too: there it is the rim that tells.
    return _Over(index, facets, away, alike, (away < reach) & alike & (beside < _FOOT * edge))


def _crumbs(neighbours: Ints, kept: Mask, fewest: int = _CRUMB) -> Mask:
    """(k,) which of the facets that are kept (m,) are of pieces that are too small."""
    if not kept.any():
        return np.zeros(0, dtype=np.bool_)
    labels = components(neighbours_without(neighbours.copy(), ~kept))
    return np.asarray(np.bincount(labels)[labels] < fewest)


def _normals_round(corners: Ints, v: Floats, f: Ints) -> Floats:
    """(n, 3) normals of vertices (n, 3), those right that are among the corners (k,)."""
    asked = np.zeros(len(v), dtype=np.bool_)
    asked[corners] = True
    return vertex_normals(v, f[facets_at(f, asked)])


def _bridges(v: Floats, f: Ints, neighbours: Ints, mesh: Ints, edge: float) -> Ints:
    """(b, 2, 3) two facets each, from an edge of one mesh's rim to the nearest of another's."""
    none = np.empty((0, 2, 3), dtype=np.int32)
    loops = boundary_loops(f, len(v), neighbours)
    if not loops:
        return none
    first = np.concatenate(loops)
    second = np.concatenate([np.roll(loop, -1) for loop in loops])
    turn = np.concatenate([np.arange(len(loop)) for loop in loops])
    middle = 0.5 * (v[first] + v[second])
    way = unit_rows(v[second] - v[first])
    normals = _normals_round(first, v, f)
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


def _lying_over(v: Floats, f: Ints, facets: Ints, reach: float) -> Mask:
    """(k,) which facets (k, 3) lie over some of f (m, 3) that face alike, or under: within twice `reach` mm, since a
    facet that spans several edges is farther off a bent surface than two scans are."""
    reach, out = 2.0 * reach, np.zeros(len(facets), dtype=np.bool_)
    if not len(facets):
        return out
    there, beside, _ = compact(v, f[surroundings(v, facets, reach).meet(v, f)])
    if not len(beside):
        return out
    scene, outward = Scene(Surface.measured(there, beside)), unit_rows(area_vectors(there[beside]))
    normals = unit_rows(area_vectors(v[facets]))
    for shares in _PLACES:
        points = np.einsum("k,ikj->ij", shares, v[facets])
        for way in (1.0, -1.0):
            hit, far = scene.first(points, way * normals)
            alike = np.einsum("ij,ij->i", outward[hit], normals) > _ALIKE
            out |= (far < reach) & alike
    return out


def _between(v: Floats, f: Ints, neighbours: Ints, mesh: Ints, rim: Mask, edge: float, reach: float) -> Ints:
    """(k, 3) facets that close holes between bridges: those that corners of more than one mesh are round, or corners
    that were no rim (n,) of their mesh."""
    rims = [
        loop
        for loop in boundary_loops(f, len(v), neighbours)
        if len(loop) <= _BETWEEN
        and len(np.unique(loop)) == len(loop)
        and (np.ptp(mesh[loop]) > 0 or not rim[loop].any())
    ]
    if not rims:
        return np.empty((0, 3), dtype=np.int32)
    normals = _normals_round(np.concatenate(rims), v, f)
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
    if not found:
        return np.empty((0, 3), dtype=np.int32)
    closing = np.concatenate(found)
    hole = np.repeat(np.arange(len(found)), [len(one) for one in found])
    over = np.bincount(hole, _lying_over(v, f, closing, reach)) > 0.0
    return closing[~over[hole]]
