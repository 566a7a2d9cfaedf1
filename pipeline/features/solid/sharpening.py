"""Sharp edges between features, and between a feature and skin: the band of facets between two features is given to
both, up to where they meet.

A scanner rounds edges, and facets bridge them. Vertices of the band near a feature are put onto it, those near the
meeting of two onto that; an edge that leads from one feature to another is split where it comes nearest to the
meeting; and facets whose corners all lie on one feature, and which face as it does, are its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.features.solid.curves import field_of, onto, onto_meeting, plane_field, settled
from pipeline.mesh.topology import facet_normals, undirected_edges
from pipeline.surfaces import Shape, signed_distance, surface_normal
from pipeline.values import MEASURED, SNAPPED

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

# Label of a facet of skin that is a face of its own, even where it lies in one plane with others.
LOOSE = -3

# mm: no edge is made sharp where that moves the surface by more, unless the scan's facets are so long that they cut off
# more of a right angle.
DEPTH = 0.8
# mm: a free vertex beside a feature and nearer to it than this is put onto it.
_SNAP = 0.05
# So many rings of vertices beside a feature are looked at.
_RINGS = 4
# Two surfaces meet in an edge where their normals are at least this far apart (sine).
_LEAST_SINE = 0.17
# Below this sine the meeting may lie far along the facets, farther than they reach.
_SHALLOW = 0.5
# A facet of a feature faces as the feature does within this cosine.
_FACING = 0.5
# Skin beside a rim is carried on where its normals agree: the length of their mean; and farther than DEPTH where they
# agree as well as the second.
_STEADY, _FLAT = 0.95, 0.99
# mm: no hollow edge with skin is made sharp where that moves the surface by more, since castings are rounded there and
# plugs fill it: a corner that is none lies within the part by as much, and the scan's own facets lie outside it.
_HOLLOW = 0.35
# Of an edge that bridges a rim: so far from either end is what it bridges.
_WITHIN = 0.05
# mm: the normal of a facet less high than this says nothing.
_SLIVER = 0.02
_MOST = 3  # features that a vertex may lie on


@dataclass(frozen=True)
class Bound:
    """A mesh some of whose vertices lie on surfaces.

    points (n, 3) mm; faces (m, 3); labels (m,) the shape whose face a facet is, -1 or LOOSE skin; origin (m,);
    carriers (n, 3) the shapes that a vertex lies on, -1 none; outward (k,) 1 or -1: whether a shape's geometric
    normal points out of the material
    """

    points: Floats
    faces: Ints
    labels: Ints
    origin: NDArray[np.uint8]
    carriers: NDArray[np.int16]
    outward: Floats

    def carries(self, shape: int) -> NDArray[np.bool_]:
        """(n,) vertices that lie on a shape."""
        return (self.carriers == shape).any(axis=1)


def bound(
    points: Floats, faces: Ints, labels: Ints, origin: NDArray[np.uint8], shapes: Sequence[Shape], reach: float
) -> Bound:
    """Bind the corners of labelled facets to their shapes; facets with a corner farther than `reach` mm lose theirs."""
    points, labels = points.copy(), labels.copy()
    carriers = carriers_of(faces, labels, len(points))
    place_on(points, carriers, shapes, reach)
    labels[~(carriers[faces] == labels[:, None, None]).any(axis=2).all(axis=1)] = -1
    outward = outward_of(points, faces, labels, shapes)
    return Bound(points, faces, labels, origin, carriers_of(faces, labels, len(points)), outward)


def outward_of(points: Floats, faces: Ints, labels: Ints, shapes: Sequence[Shape]) -> Floats:
    """(k,) 1 where the geometric normal of a shape points out of the material, else -1, by its facets' area."""
    out = np.ones(len(shapes))
    corners = points[faces]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    for k, shape in enumerate(shapes):
        mine = labels == k
        if mine.any():
            out[k] = 1.0 if np.sum(surface_normal(shape, corners[mine].mean(axis=1)) * cross[mine]) >= 0 else -1.0
    return out


def carriers_of(faces: Ints, labels: Ints, n: int) -> NDArray[np.int16]:
    """(n, 3) the labels of the facets round each vertex, lowest first; -1 none. A fourth is left out."""
    pairs = np.unique(np.stack([faces.ravel(), np.repeat(labels, 3)], axis=1)[np.repeat(labels, 3) >= 0], axis=0)
    out = np.full((n, _MOST), -1, np.int16)
    if len(pairs):
        first = np.searchsorted(pairs[:, 0], pairs[:, 0])
        slot = np.arange(len(pairs)) - first
        kept = slot < _MOST
        out[pairs[kept, 0], slot[kept]] = pairs[kept, 1]
    return out


def place_on(points: Floats, carriers: NDArray[np.int16], shapes: Sequence[Shape], reach: float) -> None:
    """Move vertices onto all that they carry; what would move more than `reach`, or can't, loses its carriers."""
    sets, which = np.unique(carriers, axis=0, return_inverse=True)
    for s, row in enumerate(sets):
        mine = np.flatnonzero(which.ravel() == s)
        some = [shapes[k] for k in row if k >= 0]
        if not some:
            continue
        moved, ok = onto(some, points[mine])
        ok &= np.linalg.norm(moved - points[mine], axis=1) <= reach
        points[mine[ok]] = moved[ok]
        carriers[mine[~ok]] = -1


def sharpened(mesh: Bound, shapes: Sequence[Shape], snap: float, depth: float = DEPTH) -> Bound:
    """The mesh with the edges between its features made sharp; see the module.

    snap   mm: how far noise takes a vertex from its feature; never taken as less than 0.05 mm
    depth  mm: where an edge would move the surface by more, it stays as it is
    """
    snap = max(snap, _SNAP)
    for _ in range(_RINGS):
        mesh, changed = _grown(mesh, shapes, snap)
        if not changed:
            break
    mesh = _split_bridges(_met(mesh, shapes), shapes, depth)
    return given(mesh, shapes)


def _grown(mesh: Bound, shapes: Sequence[Shape], snap: float) -> tuple[Bound, bool]:
    """Free vertices beside a feature and within `snap` of it put onto it."""
    free = mesh.carriers[:, 0] < 0
    edges, _ = undirected_edges(mesh.faces)
    edges = np.concatenate([edges, edges[:, ::-1]])
    edges = edges[free[edges[:, 0]] & ~free[edges[:, 1]]]
    points, carriers = mesh.points.copy(), mesh.carriers.copy()
    normals = facet_normals(mesh.points, mesh.faces)
    # A vertex belongs to a feature only where some facet of it faces the same way.
    for k, shape in enumerate(shapes):
        near = np.unique(edges[(mesh.carriers[edges[:, 1]] == k).any(axis=1), 0])
        near = near[carriers[near, 0] < 0]
        if not len(near):
            continue
        near = near[np.abs(signed_distance(shape, mesh.points[near])) <= snap]
        asked = np.zeros(len(points), np.bool_)
        asked[near] = True
        at = np.flatnonzero(asked[mesh.faces].any(axis=1))
        facing = mesh.outward[k] * np.einsum(
            "ij,ij->i", normals[at], surface_normal(shape, mesh.points[mesh.faces[at]].mean(axis=1))
        )
        fits = np.zeros(len(points), np.bool_)
        fits[mesh.faces[at[facing > 0.9]]] = True
        near = near[fits[near]]
        if not len(near):
            continue
        points[near] = onto([shape], points[near])[0]
        carriers[near, 0] = k
    changed = bool((carriers[:, 0] != mesh.carriers[:, 0]).any())
    return replace(mesh, points=points, carriers=carriers), changed


def _met(mesh: Bound, shapes: Sequence[Shape]) -> Bound:
    """Free vertices between two features put onto their meeting, where that is near: no matter how long the facets are,
    a vertex is on the part."""
    edges, _ = undirected_edges(mesh.faces)
    points, carriers = mesh.points.copy(), mesh.carriers.copy()
    beside: list[tuple[int, int]] = []
    for a, b in (edges.T, edges.T[::-1]):
        free = mesh.carriers[a, 0] < 0
        for slot in range(_MOST):
            k = mesh.carriers[b, slot]
            some = free & (k >= 0)
            beside += list(zip(a[some].tolist(), k[some].tolist(), strict=True))
    of_vertex: dict[int, set[int]] = {}
    for vertex, k in beside:
        of_vertex.setdefault(vertex, set()).add(k)
    by_pair: dict[tuple[int, int], list[int]] = {}
    for vertex, near in of_vertex.items():
        if len(near) == 2:
            by_pair.setdefault(tuple(sorted(near)), []).append(vertex)  # type: ignore[arg-type]
    doubtful = np.zeros(len(points), np.bool_)
    for (a, b), found in sorted(by_pair.items()):
        mine = np.array(sorted(found))
        moved, ok = onto_meeting(shapes[a], shapes[b], points[mine], _LEAST_SINE)
        ok &= np.linalg.norm(moved - points[mine], axis=1) <= DEPTH
        points[mine[ok]] = moved[ok]
        carriers[mine[ok], 0], carriers[mine[ok], 1] = a, b
        at = points[mine[ok]]
        doubtful[mine[ok]] = _shallow(surface_normal(shapes[a], at), surface_normal(shapes[b], at))
    _without_folds(mesh, points, carriers, doubtful)
    return replace(mesh, points=points, carriers=carriers)


def _shallow(one: Floats, other: Floats) -> NDArray[np.bool_]:
    """(k,) where two surfaces, by their normals (k, 3), meet at a small angle."""
    return np.asarray(np.linalg.norm(np.cross(one, other), axis=1) < _SHALLOW)


def _without_folds(mesh: Bound, points: Floats, carriers: NDArray[np.int16], doubtful: NDArray[np.bool_]) -> None:
    """Take back moves of doubtful vertices (n,) that turn a facet over."""
    while True:
        folded = np.unique(mesh.faces[_turned_over(mesh, np.arange(len(mesh.faces)), points[mesh.faces])])
        folded = folded[doubtful[folded] & (points[folded] != mesh.points[folded]).any(axis=1)]
        if not len(folded):
            return
        points[folded], carriers[folded] = mesh.points[folded], mesh.carriers[folded]


def _turned_over(mesh: Bound, parents: NDArray[np.int64], corners: Floats) -> NDArray[np.bool_]:
    """(k,) facets, by their corners (k, 3, 3), that look away from the one of the mesh that each comes from."""
    a, b, c = mesh.points[mesh.faces[parents]].transpose(1, 0, 2)
    before = np.cross(b - a, c - a)
    longest = np.sqrt(np.maximum.reduce([((p - q) ** 2).sum(axis=1) for p, q in ((a, b), (b, c), (c, a))]))
    after = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    said = np.linalg.norm(before, axis=1) > _SLIVER * longest
    return np.asarray(said & (np.einsum("ij,ij->i", before, after) <= 0.0))


def _split_unfolded(
    mesh: Bound, edges: Ints, where: Floats, carriers: NDArray[np.int16], doubtful: NDArray[np.bool_]
) -> Bound:  # fmt: skip
    """`split`, without those of the doubtful new vertices (k,) that would turn a facet over."""
    numbered = replace(mesh, labels=np.arange(len(mesh.faces), dtype=np.int32))
    kept, n = np.arange(len(edges)), len(mesh.points)
    while True:
        made = split(numbered, edges[kept], where[kept], carriers[kept])
        over = made.faces[_turned_over(mesh, made.labels.astype(np.int64), made.points[made.faces])]
        wrong = np.unique(over[over >= n]) - n
        wrong = wrong[doubtful[kept[wrong]]]
        if not len(wrong):
            return split(mesh, edges[kept], where[kept], carriers[kept])
        kept = np.delete(kept, wrong)


def _split_bridges(mesh: Bound, shapes: Sequence[Shape], depth: float) -> Bound:
    """Split the edges that lead from one feature to another where these meet nearby."""
    edges, _ = undirected_edges(mesh.faces)
    a, b = mesh.carriers[edges[:, 0]], mesh.carriers[edges[:, 1]]
    lone = (a[:, 0] >= 0) & (b[:, 0] >= 0) & (a[:, 1] < 0) & (b[:, 1] < 0) & (a[:, 0] != b[:, 0])
    edges, first, second = edges[lone], a[lone, 0], b[lone, 0]
    doubtful = np.zeros(len(edges), np.bool_)
    where, good = np.zeros((len(edges), 3)), np.zeros(len(edges), np.bool_)
    away = np.zeros(len(edges))
    for pair in np.unique(np.stack([first, second], axis=1), axis=0):
        mine = np.flatnonzero((first == pair[0]) & (second == pair[1]))
        one, other = shapes[pair[0]], shapes[pair[1]]
        u, w = mesh.points[edges[mine, 0]], mesh.points[edges[mine, 1]]
        off_u, off_w = np.abs(signed_distance(other, u)), np.abs(signed_distance(one, w))
        share = (off_u / np.maximum(off_u + off_w, 1e-12)).clip(0.05, 0.95)[:, None]
        start = u + share * (w - u)
        moved, ok = onto_meeting(one, other, start, _LEAST_SINE)
        where[mine], good[mine], away[mine] = moved, ok, np.linalg.norm(moved - start, axis=1)
        doubtful[mine] = _shallow(surface_normal(one, moved), surface_normal(other, moved))
    good &= away <= depth
    carriers = np.full((int(good.sum()), _MOST), -1, np.int16)
    carriers[:, 0], carriers[:, 1] = np.minimum(first, second)[good], np.maximum(first, second)[good]
    return _split_unfolded(mesh, edges[good], where[good], carriers, doubtful[good])


def with_sharp_rims(mesh: Bound, shapes: Sequence[Shape], depth: float = DEPTH, blunt: float = 0.0) -> Bound:
    """The mesh with the edges between its features and skin made sharp, where one row of facets bridges them, or two
    whose vertices lie near the edge.

    depth  mm: as in `sharpened`; no more than DEPTH where the skin is not flat, less where the edge is hollow
    blunt  mm: so near to the edge a vertex between two such rows is taken for one of it, less where it is hollow

    Beyond the rows the skin is carried on, as a plane through each vertex, to where it meets the feature. A chamfer or
    a radius that the scan shows in several rows is skin like any other, and stays as it is.

    Method: Attene, Falcidieno, Rossignac and Spagnuolo 2005, "Sharpen & Bend", with one of the two sides known exactly.
    """
    mesh = _with_rims_met(mesh, shapes, blunt)
    edges, _ = undirected_edges(mesh.faces)
    lone = (mesh.carriers[:, 0] >= 0) & (mesh.carriers[:, 1] < 0)
    normal, agreed = _skin_normals(mesh, mesh.carriers[:, 0] < 0)
    ends = np.concatenate([edges, edges[:, ::-1]])
    ends = ends[lone[ends[:, 0]] & (agreed[ends[:, 1]] >= _STEADY)]
    feature = mesh.carriers[ends[:, 0], 0]
    where, good = np.zeros((len(ends), 3)), np.zeros(len(ends), np.bool_)
    doubtful = np.zeros(len(ends), np.bool_)
    away, share = np.zeros(len(ends)), np.zeros(len(ends))
    for k in np.unique(feature):
        mine = np.flatnonzero(feature == k)
        u, w = mesh.points[ends[mine]].transpose(1, 0, 2)
        one, other = field_of(shapes[k]), plane_field(w, normal[ends[mine, 1]])
        off_u, off_w = np.abs(other(u)[0]), np.abs(one(w)[0])
        start = u + (off_u / np.maximum(off_u + off_w, 1e-12))[:, None] * (w - u)
        moved, ok = settled([one, other], start, _LEAST_SINE)
        share[mine] = np.einsum("ij,ij->i", moved - u, w - u) / np.maximum(np.einsum("ij,ij->i", w - u, w - u), 1e-300)
        away[mine] = np.linalg.norm(moved - u - share[mine, None] * (w - u), axis=1)
        where[mine], good[mine] = moved, ok
        doubtful[mine] = _shallow(surface_normal(shapes[k], moved), normal[ends[mine, 1]])
    ways = mesh.points[ends[:, 0]] - mesh.points[ends[:, 1]]
    hollow = np.einsum("ij,ij->i", ways, normal[ends[:, 1]]) > 0.0
    most = np.where(agreed[ends[:, 1]] >= _FLAT, depth, DEPTH)
    good &= (away > _SNAP) & (away <= np.where(hollow, _HOLLOW, most))
    good &= (share > _WITHIN) & (share < 1.0 - _WITHIN)
    carriers = np.full((int(good.sum()), _MOST), -1, np.int16)
    carriers[:, 0] = feature[good]
    return given(_split_unfolded(mesh, ends[good], where[good], carriers, doubtful[good]), shapes)


def _with_rims_met(mesh: Bound, shapes: Sequence[Shape], blunt: float) -> Bound:
    """Free vertices beside a feature put onto its meeting with the skin beyond them, where they are no farther off it
    than `blunt` mm."""
    free = mesh.carriers[:, 0] < 0
    edges, _ = undirected_edges(mesh.faces)
    edges = np.concatenate([edges, edges[:, ::-1]])
    beside = edges[free[edges[:, 0]] & ~free[edges[:, 1]]]
    # The one feature beside each; where there are two, or a vertex of two, it is none of ours.
    first, last = np.full(len(free), len(shapes)), np.full(len(free), -1)
    for slot in range(_MOST):
        k = mesh.carriers[beside[:, 1], slot]
        np.minimum.at(first, beside[k >= 0, 0], k[k >= 0])
        np.maximum.at(last, beside[k >= 0, 0], k[k >= 0])
    near = last >= 0
    normal, agreed = _skin_normals(mesh, free & ~near)
    ways = edges[(first == last)[edges[:, 0]] & (agreed[edges[:, 1]] >= _STEADY)]
    length = np.linalg.norm(mesh.points[ways[:, 0]] - mesh.points[ways[:, 1]], axis=1)
    ways = ways[np.lexsort((length, ways[:, 0]))]
    ways = ways[np.unique(ways[:, 0], return_index=True)[1]]
    points, carriers = mesh.points.copy(), mesh.carriers.copy()
    moved = np.zeros(len(points), np.bool_)
    for k in np.unique(first[ways[:, 0]]):
        v, w = ways[first[ways[:, 0]] == k].T
        one, other = field_of(shapes[k]), plane_field(mesh.points[w], normal[w])
        place, ok = settled([one, other], mesh.points[v], _SHALLOW)
        way = place - mesh.points[v]
        out, up = mesh.outward[k] * surface_normal(shapes[k], place), normal[w]
        # Beyond both surfaces, or short of both: else it is no edge that was cut off.
        a, b = np.einsum("ij,ij->i", way, out), np.einsum("ij,ij->i", way, up)
        ok &= (np.minimum(a, b) > _SNAP) | (np.maximum(a, b) < -_SNAP)
        ok &= np.linalg.norm(way, axis=1) <= np.where(a < 0, min(blunt, _HOLLOW), blunt)
        points[v[ok]], carriers[v[ok], 0], moved[v[ok]] = place[ok], k, True
    _without_folds(mesh, points, carriers, moved)
    return given(replace(mesh, points=points, carriers=carriers), shapes)


def _skin_normals(mesh: Bound, free: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """(n, 3) the mean normal of the measured skin round each vertex, of its facets whose corners are all `free` (n,),
    and (n,) how well these agree on it: the length of their mean normal, 1 in one plane, 0 where there is no such
    skin."""
    measured = np.isin(mesh.origin, (MEASURED, SNAPPED))
    faces = mesh.faces[free[mesh.faces].all(axis=1) & (mesh.labels < 0) & measured]
    corners = mesh.points[faces]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    total, area = np.zeros_like(mesh.points), np.zeros(len(mesh.points))
    for k in range(3):
        np.add.at(total, faces[:, k], cross)
        np.add.at(area, faces[:, k], np.linalg.norm(cross, axis=1))
    length = np.linalg.norm(total, axis=1)
    return total / np.maximum(length, 1e-300)[:, None], length / np.maximum(area, 1e-300)


def split(mesh: Bound, edges: Ints, where: Floats, carriers: NDArray[np.int16]) -> Bound:
    """Put a vertex into each of some edges (k, 2); the facets on both sides are divided and keep what they were."""
    if not len(edges):
        return mesh
    n = len(mesh.points)
    keys = edges.min(axis=1).astype(np.int64) * n + edges.max(axis=1)
    order = np.argsort(keys)
    start, end = mesh.faces.astype(np.int64), np.roll(mesh.faces, -1, axis=1).astype(np.int64)
    wanted = np.minimum(start, end) * n + np.maximum(start, end)
    at = np.searchsorted(keys[order], wanted).clip(max=len(keys) - 1)
    new = np.where(keys[order][at] == wanted, n + order[at], -1)
    points = np.concatenate([mesh.points, where])
    faces, parents = _divided(mesh.faces, new, points)
    return replace(
        mesh, points=points, faces=faces, labels=mesh.labels[parents], origin=mesh.origin[parents],
        carriers=np.concatenate([mesh.carriers, carriers]),
    )  # fmt: skip


def _divided(faces: Ints, new: NDArray[np.int64], points: Floats) -> tuple[Ints, NDArray[np.int64]]:
    """Facets with the new vertices (m, 3) on their edges (-1 none) put in; and whose child each facet is."""
    count = (new >= 0).sum(axis=1)
    parts, parents = [faces[count == 0]], [np.flatnonzero(count == 0)]
    for number in (1, 2, 3):
        mine = np.flatnonzero(count == number)
        f, x = faces[mine], new[mine]
        # Turn each facet so that the edge in question is its first: with one, the split one; with two, the whole one.
        turn = np.argmax((x >= 0) if number == 1 else (x < 0), axis=1) if number < 3 else np.zeros(len(mine), int)
        i, j, k = (np.take_along_axis(f, ((turn + s) % 3)[:, None], 1)[:, 0] for s in range(3))
        p, q, r = (np.take_along_axis(x, ((turn + s) % 3)[:, None], 1)[:, 0] for s in range(3))
        children: list[tuple[Any, Any, Any]]
        if number == 1:
            children = [(i, p, k), (p, j, k)]
        elif number == 2:
            swap = np.linalg.norm(points[i] - points[q], axis=1) > np.linalg.norm(points[j] - points[r], axis=1)
            children = [(q, k, r), (i, j, np.where(swap, r, q)), (np.where(swap, j, i), q, r)]
        else:
            children = [(i, p, r), (p, j, q), (r, q, k), (p, q, r)]
        parts += [np.stack(child, axis=1) for child in children]
        parents += [mine] * len(children)
    return np.concatenate(parts).astype(np.int32), np.concatenate(parents)


def left_to_skin(mesh: Bound, feature: int, facets: NDArray[np.bool_]) -> Bound:
    """Some facets (m,) of a feature made skin; vertices that no other of its facets has don't lie on it any more."""
    labels = np.where(facets & (mesh.labels == feature), -1, mesh.labels).astype(np.int32)
    still = np.zeros(len(mesh.points), np.bool_)
    still[mesh.faces[labels == feature]] = True
    gone = (mesh.carriers == feature) & ~still[:, None]
    carriers = np.where(gone, -1, mesh.carriers)
    order = np.argsort(carriers < 0, axis=1, kind="stable")
    return replace(mesh, labels=labels, carriers=np.take_along_axis(carriers, order, axis=1).astype(np.int16))


def given(mesh: Bound, shapes: Sequence[Shape], facing: float = _FACING) -> Bound:
    """Skin facets whose corners all lie on one feature, and which face as it does, given to it."""
    on_some = np.asarray((mesh.carriers >= 0).any(axis=1))
    skin = np.flatnonzero((mesh.labels < 0) & on_some[mesh.faces].all(axis=1))
    labels = mesh.labels.copy()
    normals = facet_normals(mesh.points, mesh.faces[skin])
    middles = mesh.points[mesh.faces[skin]].mean(axis=1)
    best = np.full(len(skin), facing)
    for k, shape in enumerate(shapes):
        whole = mesh.carries(k)[mesh.faces[skin]].all(axis=1)
        at = np.flatnonzero(whole)
        if not len(at):
            continue
        agrees = mesh.outward[k] * np.einsum("ij,ij->i", normals[at], surface_normal(shape, middles[at]))
        better = agrees > best[at]
        best[at[better]] = agrees[better]
        labels[skin[at[better]]] = k
    return replace(mesh, labels=labels)
