"""Places where the border of a feature touches itself in one vertex: the skin between is bridged, or a corner cut."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.features.solid.curves import onto
from pipeline.features.solid.sharpening import Bound, Floats, Ints, left_to_skin, split
from pipeline.mesh.topology import facet_neighbours, facet_normals
from pipeline.surfaces import Shape, surface_normal

# Of the edges round the corner that is given up: so far from the vertex it is cut off.
_CUT = 0.25
# mm: and no farther than this.
_FARTHEST = 1.0
# Skin that faces as the feature does within this cosine can be given to it.
_ALONG = 0.3
# Depth of the dimple that is left, as a share of its width: skin must not lie flush with the feature.
_DEPTH = 0.5


def without_pinches(mesh: Bound, shapes: Sequence[Shape]) -> tuple[Bound, int]:
    """The mesh with no feature touching itself in a vertex, and in how many places one did."""
    pinches = _pinched(mesh)
    for vertex, label in pinches:
        bridged = _bridged(mesh, shapes, vertex, label)
        if bridged is not None:
            mesh = bridged
            continue
        for fan in _fans(mesh, vertex, label)[1:]:
            mesh = _corner_given_up(mesh, shapes, vertex, label, fan)
    return mesh, len(pinches)


def without_pinched_rims(mesh: Bound, rings: dict[int, int]) -> tuple[Bound, int]:
    """The mesh with a feature's facets round each such vertex left to the skin; and how many vertices there were.

    rings  by feature: so many rings of facets beyond those at the vertex go too, one more each time, since borders made
           fit afterwards may put a vertex back onto its feature. So it comes to an end
    """
    pinches = _pinched(mesh)
    for vertex, label in pinches:
        left = (mesh.faces == vertex).any(axis=1)
        for _ in range(rings.get(label, 0)):
            left = np.isin(mesh.faces, mesh.faces[left & (mesh.labels == label)]).any(axis=1)
        mesh = left_to_skin(mesh, label, left)
    for label in {label for _, label in pinches}:
        rings[label] = rings.get(label, 0) + 1
    return mesh, len(pinches)


def _bridged(mesh: Bound, shapes: Sequence[Shape], vertex: int, label: int) -> Bound | None:
    """The skin of the narrowest run between two corners of the feature given to it near the vertex; None where none
    lies along the feature."""
    for run in reversed(_fans(mesh, vertex, -1)):
        corners = mesh.faces[run]
        facing = mesh.outward[label] * np.einsum(
            "ij,ij->i",
            facet_normals(mesh.points, corners),
            surface_normal(shapes[label], mesh.points[corners].mean(axis=1)),
        )
        rim = np.unique(corners)
        rim = rim[rim != vertex]
        # Between two corners of the feature itself: the run's outer edges must both be borders of it.
        if (facing < _ALONG).any() or mesh.carries(label)[rim].sum() < 2:
            continue
        return _corner_taken(mesh, shapes, vertex, label, rim, run)
    return None


def _corner_taken(
    mesh: Bound, shapes: Sequence[Shape], vertex: int, label: int, rim: Ints, run: list[int]
) -> Bound | None:
    here, n = mesh.points[vertex], len(mesh.points)
    length = np.linalg.norm(mesh.points[rim] - here, axis=1)
    share = np.minimum(_CUT, _FARTHEST / np.maximum(length, 1e-12))[:, None]
    where = onto([shapes[label]], here + share * (mesh.points[rim] - here))[0]
    carriers = np.full((len(rim), 3), -1, np.int16)
    carriers[:, 0] = label
    edges = np.stack([np.full(len(rim), vertex), rim], axis=1).astype(np.int32)
    runs = np.zeros(len(mesh.faces), np.bool_)
    runs[run] = True
    marked = split(replace(mesh, labels=np.where(runs, -2, mesh.labels).astype(np.int32)), edges, where, carriers)
    new = marked.faces >= n
    corner = (marked.labels == -2) & (marked.faces == vertex).any(axis=1) & (new.sum(axis=1) == 2)
    normals = facet_normals(marked.points, marked.faces[corner])
    middles = marked.points[marked.faces[corner]].mean(axis=1)
    facing = mesh.outward[label] * np.einsum("ij,ij->i", normals, surface_normal(shapes[label], middles))
    if (facing <= 0).any():
        return None
    labels = np.where(corner, label, np.where(marked.labels == -2, -1, marked.labels))
    return replace(marked, labels=labels.astype(np.int32))


def _pinched(mesh: Bound) -> list[tuple[int, int]]:
    """(vertex, feature) where a feature's facets round the vertex are in more than one run."""
    neighbours = facet_neighbours(mesh.faces, len(mesh.points))
    border = (neighbours < 0) | (mesh.labels[neighbours] != mesh.labels[:, None])
    i, k = np.nonzero(border & (mesh.labels >= 0)[:, None])
    pairs, count = np.unique(np.stack([mesh.faces[i, k], mesh.labels[i]], axis=1), axis=0, return_counts=True)
    return [(int(v), int(label)) for v, label in pairs[count > 1]]


def _fans(mesh: Bound, vertex: int, label: int) -> list[list[int]]:
    """The runs of a feature's facets round a vertex, the one with the largest angle first."""
    at = np.flatnonzero((mesh.labels == label) & (mesh.faces == vertex).any(axis=1))
    fans: list[tuple[set[int], list[int], float]] = []
    for facet in at.tolist():
        corners = mesh.faces[facet]
        others = {int(c) for c in corners if c != vertex}
        p, q = (mesh.points[c] - mesh.points[vertex] for c in sorted(others))
        angle = float(np.arctan2(np.linalg.norm(np.cross(p, q)), p @ q))
        touching = [fan for fan in fans if fan[0] & others]
        fans = [fan for fan in fans if not fan[0] & others]
        fans.append(
            (
                others.union(*(fan[0] for fan in touching)),
                [facet, *(f for fan in touching for f in fan[1])],
                angle + sum(fan[2] for fan in touching),
            )
        )
    return [facets for _, facets, _ in sorted(fans, key=lambda fan: -fan[2])]


def _corner_given_up(mesh: Bound, shapes: Sequence[Shape], vertex: int, label: int, fan: list[int]) -> Bound:
    """Cut the corner of a run of facets off at the vertex and sink it a little."""
    rim = np.unique(mesh.faces[fan])
    rim = rim[rim != vertex]
    here = mesh.points[vertex]
    length = np.linalg.norm(mesh.points[rim] - here, axis=1)
    share = np.minimum(_CUT, _FARTHEST / np.maximum(length, 1e-12))[:, None]
    where = here + share * (mesh.points[rim] - here)
    carriers = np.full((len(rim), 3), -1, np.int16)
    for row, other in enumerate(rim.tolist()):
        both = [c for c in mesh.carriers[vertex].tolist() if c >= 0 and c in mesh.carriers[other].tolist()]
        moved, there = onto([shapes[c] for c in both], where[row][None])
        if not there[0]:
            both = [label]
            moved, _ = onto([shapes[label]], where[row][None])
        where[row] = moved[0]
        carriers[row, : len(both)] = both
    n = len(mesh.points)
    edges = np.stack([np.full(len(rim), vertex), rim], axis=1).astype(np.int32)
    mesh = split(mesh, edges, where, carriers)
    new = mesh.faces >= n
    corner = np.flatnonzero((mesh.faces == vertex).any(axis=1) & (new.sum(axis=1) == 2) & (mesh.labels == label))
    return _sunk(mesh, shapes[label], vertex, label, corner, where)


def _sunk(mesh: Bound, shape: Shape, vertex: int, label: int, corner: NDArray[Any], rim: Floats) -> Bound:
    """Facets (c,) round a vertex made skin about a point below the feature."""
    turned = np.stack([np.roll(f, -int(np.argmax(f == vertex))) for f in mesh.faces[corner]])
    first = next(int(a) for a in turned[:, 1] if a not in turned[:, 2])
    last = next(int(b) for b in turned[:, 2] if b not in turned[:, 1])
    here = mesh.points[vertex]
    middle = 0.5 * here + 0.5 * rim.mean(axis=0)
    down = -mesh.outward[label] * surface_normal(shape, middle[None])[0]
    point = middle + _DEPTH * float(np.linalg.norm(rim - here, axis=1).min()) * down
    p = len(mesh.points)
    faces, labels = mesh.faces.copy(), mesh.labels.copy()
    faces[corner] = np.stack([np.full(len(corner), p), turned[:, 1], turned[:, 2]], axis=1)
    labels[corner] = -1
    more = np.array([[vertex, first, p], [vertex, p, last]], np.int32)
    return replace(
        mesh, points=np.concatenate([mesh.points, point[None]]), faces=np.concatenate([faces, more]),
        labels=np.concatenate([labels, [-1, -1]]).astype(np.int32),
        origin=np.concatenate([mesh.origin, np.repeat(mesh.origin[corner[:1]], 2)]),
        carriers=np.concatenate([mesh.carriers, np.full((1, 3), -1, np.int16)]),
    )  # fmt: skip
