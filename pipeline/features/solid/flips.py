"""Flips of the facets along a border: another third corner, where the section of the one that is there is unsound."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.features.solid.sharpening import Bound, Floats, Ints
from pipeline.mesh.topology import facet_neighbours, facet_normals, undirected_edges

# mm: the two diagonals of a flip pass each other no farther apart, since the skin moves by that.
_APART = 0.1
# mm: no facet that a flip makes is lower.
_LOWEST = 0.05
# Cosine within which the new facets face as the two old ones do together.
_FACING = 0.3


@dataclass(frozen=True)
class _Flip:
    """Facets (k, 2) that are exchanged for new ones (k, 2, 3)."""

    facets: NDArray[np.int64]
    made: Ints

    def some(self, chosen: Any) -> _Flip:
        return _Flip(self.facets[chosen], self.made[chosen])


def flipped(
    mesh: Bound, facets: Ints, ends: Ints, unsound: Callable[[Bound], tuple[Ints, NDArray[np.bool_]]]
) -> tuple[Bound, NDArray[np.bool_]]:
    """Give the unsound borders `ends` (k, 2) of skin `facets` (k,) another third corner where that makes them sound.

    unsound  of a mesh: the facet of each border and whether it is unsound
    Returns the mesh, whose facets keep their numbers, and (m,) which of them were changed.
    """
    changed = np.zeros(len(mesh.faces), np.bool_)
    for side in (1, 2):
        left = ~changed[facets]
        if not left.any():
            break
        flips = _independent(_possible(mesh, facets[left], ends[left], side))
        flips = flips.some(~changed[flips.facets].any(axis=1))
        if not len(flips.facets):
            continue
        trial = _done(mesh, flips)
        of_border, bad = unsound(trial)
        spoilt = np.zeros(len(mesh.faces), np.bool_)
        spoilt[of_border[bad]] = True
        flips = flips.some(~spoilt[flips.facets].any(axis=1))
        mesh = _done(mesh, flips)
        changed[flips.facets] = True
    return mesh, changed


def _done(mesh: Bound, flips: _Flip) -> Bound:
    faces = mesh.faces.copy()
    faces[flips.facets] = flips.made
    return replace(mesh, faces=faces)


def _possible(mesh: Bound, facets: Ints, ends: Ints, side: int) -> _Flip:
    """Flips of the edge that follows the border (side 1), or of the one before it (side 2)."""
    n = len(mesh.points)
    neighbours = facet_neighbours(mesh.faces, n)
    at = np.argmax(mesh.faces[facets] == ends[:, :1], axis=1)
    a, b = ends[:, 0], ends[:, 1]
    c = mesh.faces[facets].sum(axis=1) - a - b
    other = neighbours[facets, (at + side) % 3]
    ok = other >= 0
    ok &= (mesh.labels[other] < 0) & (mesh.origin[other] == mesh.origin[facets])
    facets, other, a, b, c = facets[ok], other[ok], a[ok], b[ok], c[ok]
    shared = (b + c) if side == 1 else (a + c)
    d = mesh.faces[other].sum(axis=1) - shared
    first = np.stack([a, b, d], axis=1)
    second = np.stack([a, d, c] if side == 1 else [b, c, d], axis=1)
    made = np.stack([first, second], axis=1).astype(np.int32)
    corners = mesh.points[mesh.faces[np.stack([facets, other], axis=1)]]
    old = np.cross(corners[:, :, 1] - corners[:, :, 0], corners[:, :, 2] - corners[:, :, 0]).sum(axis=1)
    old /= np.maximum(np.linalg.norm(old, axis=1, keepdims=True), 1e-300)
    new = np.stack([facet_normals(mesh.points, made[:, s]) for s in (0, 1)], axis=1)
    good = (np.einsum("nd,njd->nj", old, new) > _FACING).all(axis=1)
    good &= np.minimum(_height(mesh.points[first]), _height(mesh.points[second])) > _LOWEST
    start, end = (a, d) if side == 1 else (b, d)
    touched = np.zeros(n, np.bool_)
    touched[start] = True
    some = mesh.faces[touched[mesh.faces].any(axis=1)]
    edges, _ = undirected_edges(some)
    taken = edges[:, 0].astype(np.int64) * n + edges[:, 1]
    good &= ~np.isin(np.minimum(start, end).astype(np.int64) * n + np.maximum(start, end), taken)
    p, q = (b, c) if side == 1 else (a, c)
    good &= _distance(*(mesh.points[v] for v in (p, q, start, end))) < _APART
    return _Flip(np.stack([facets, other], axis=1)[good], made[good])


def _height(corners: Floats) -> Floats:
    """(n,) of triangles (n, 3, 3) over their longest side."""
    sides = np.linalg.norm(corners - np.roll(corners, -1, axis=1), axis=2).max(axis=1)
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    return np.asarray(np.linalg.norm(cross, axis=1) / np.maximum(sides, 1e-300))


def _distance(p: Floats, q: Floats, r: Floats, s: Floats) -> Floats:
    """(n,) between the lines pq and rs."""
    across = np.cross(q - p, s - r)
    length = np.linalg.norm(across, axis=1)
    return np.asarray(np.abs(np.einsum("ij,ij->i", r - p, across)) / np.maximum(length, 1e-300))


def _independent(flips: _Flip) -> _Flip:
    """Of flips that want the same facet the first."""
    first = np.full(int(flips.facets.max(initial=-1)) + 1, len(flips.facets))
    for column in (0, 1):
        np.minimum.at(first, flips.facets[:, column], np.arange(len(flips.facets)))
    return flips.some((first[flips.facets] == np.arange(len(flips.facets))[:, None]).all(axis=1))
