"""Pin holes: where the stars of neighbouring points don't agree, facets on the points round the hole."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from pipeline.geometry import Floats, Indices, Ints, Longs, Mask, basis_of, contains
from pipeline.jit import njit
from pipeline.mesh.fill import constrained_delaunay, is_simple, triangles_of_parts
from pipeline.mesh.points.stars import circumradii, circumradius
from pipeline.mesh.topology import (
    NONMANIFOLD,
    boundary_loops,
    components,
    cut_at_pinches,
    facet_neighbours,
    facet_normals,
    neighbours_without,
)

LONGEST = 30  # corners of a rim that is looked at: a longer one is that of a gap
_FOLDED = -0.5  # cosine between facets that meet: below it they are folded on each other
_FEW = 10  # facets of a piece that may be a part of what is missing in a hole
_LOW = 1.0  # times the spacing that a point in a hole may lie over the plane of its rim


def without_pin_holes(points: Floats, faces: Ints, spacing: Floats, reach: float) -> tuple[Ints, int]:
    """The facets (k, 3), without crumbs in holes, and behind them those that close what is too narrow to be a gap of
    the scan; and k.

    points   (n, 3) mm; faces (m, 3), the same way round over each sheet
    spacing  (n,) mm, between points round each
    reach    times the spacing that the circle through a new facet's corners may be in radius

    A hole is closed whole or not at all, over the points in it that no facet has, if they fit; no point is added. One
    whose facets would be wider, fold back, or meet others at an edge that has two, stays open. A few facets that hang
    by their corners in a hole are in the way of what closes it, and go.

    >>> around = np.radians(np.arange(0, 360, 60))
    >>> points = np.vstack([np.c_[r * np.cos(around), r * np.sin(around), 0.0 * around] for r in (1.0, 2.0)])
    >>> k = np.arange(6)
    >>> ring = np.vstack([np.c_[k, k + 6, (k + 1) % 6 + 6], np.c_[k, (k + 1) % 6 + 6, (k + 1) % 6]]).astype(np.int32)
    >>> [len(without_pin_holes(points, ring, np.full(12, 1.0), reach)[0]) for reach in (0.5, 1.5)]
    [12, 16]
    >>> with_middle = np.vstack([points, [[0.1, 0.0, 0.1]]])
    >>> len(without_pin_holes(with_middle, ring, np.full(13, 1.0), 1.5)[0])
    18
    """
    count = len(points)
    neighbours = facet_neighbours(faces, count)
    crumbs = _crumbs(faces, neighbours, count)
    faces, neighbours = faces[~crumbs], neighbours_without(neighbours, crumbs)
    normals = facet_normals(points, faces)
    row, edge = np.nonzero(neighbours < 0)
    keys = faces[row, edge].astype(np.int64) * count + faces[row, (edge + 1) % 3]
    order = np.argsort(keys)
    keys, row = keys[order], row[order]
    loose = _Loose(points, faces)
    patches: list[Ints] = []
    for loop in boundary_loops(faces, count, neighbours):
        if len(loop) > 4 * LONGEST:
            continue
        for walk in cut_at_pinches(loop.tolist()):
            if 3 <= len(walk) <= LONGEST:
                rim = np.array(walk[::-1], dtype=np.int32)
                outside = _outside(rim, count, keys, row, normals)
                if outside is not None:
                    patches += _patch(points, spacing, rim, loose.within(rim, spacing), outside, reach)
    if not patches:
        return faces, len(faces)
    # What two patches, or a patch and the facets beyond, want of one edge is given to neither.
    whose = np.repeat(np.arange(len(patches)), [len(patch) for patch in patches])
    new = np.vstack(patches)
    for _ in range(4):
        across = facet_neighbours(np.vstack([faces, new]), count)[len(faces) :]
        bad = np.unique(whose[(across <= NONMANIFOLD).any(axis=1)])
        if not len(bad):
            break
        keep = ~np.isin(whose, bad)
        new, whose = new[keep], whose[keep]
    return np.vstack([faces, new]), len(faces)


def _crumbs(faces: Ints, neighbours: Ints, count: int) -> Mask:
    """(m,) facets of small pieces that touch larger ones, at corners alone."""
    labels = components(neighbours)
    few = (np.bincount(labels) < _FEW)[labels]
    held = np.zeros(count, dtype=np.bool_)
    held[faces[~few]] = True
    touching = np.bincount(labels, held[faces].any(axis=1)) > 0.0
    return np.asarray(few & touching[labels])


class _Loose:
    """Points (n, 3) that no facet has, to be looked up by the hole that they lie in."""

    def __init__(self, points: Floats, faces: Ints) -> None:
        bare = np.ones(len(points), dtype=np.bool_)
        bare[faces] = False
        self._points, self._which = points, np.flatnonzero(bare).astype(np.int32)
        self._tree = cKDTree(points[self._which]) if len(self._which) else None

    def within(self, rim: Ints, spacing: Floats) -> Ints:
        """(k,) those that lie over or under what a rim (r,) is round, seen square to its plane and not far from it."""
        if self._tree is None:
            return self._which
        corners = self._points[rim]
        middle = corners.mean(axis=0)
        reach = float(np.linalg.norm(corners - middle, axis=1).max())
        near = self._which[sorted(self._tree.query_ball_point(middle, reach))]
        if not len(near):
            return near
        flat, height = _laid_flat(corners, self._points[near])
        low = np.abs(height) < _LOW * spacing[rim].mean()
        return near[low & contains([flat[: len(rim)]], flat[len(rim) :])]


def _laid_flat(corners: Floats, others: Floats) -> tuple[Floats, Floats]:
    """Corners (r, 3) of a closed line and other points (k, 3) in its plane, (r + k, 2), counter-clockwise; and how
    high (k,) the others lie over it."""
    middle = corners.mean(axis=0)
    off = np.vstack([corners, others]) - middle
    ring = off[: len(corners)]
    normal = np.cross(ring, np.roll(ring, -1, axis=0)).sum(axis=0)
    normal /= np.linalg.norm(normal) or 1.0
    u, v = basis_of(normal)
    return np.column_stack([off @ u, off @ v]), off[len(corners) :] @ normal


def _outside(rim: Ints, count: int, keys: Longs, row: Indices, normals: Floats) -> Floats | None:
    """(r, 3) normals of the facets beyond a rim; None where it runs along another's."""
    wanted = np.roll(rim, -1).astype(np.int64) * count + rim
    at = np.minimum(np.searchsorted(keys, wanted), len(keys) - 1)
    return None if (keys[at] != wanted).any() else normals[row[at]]


def _patch(points: Floats, spacing: Floats, rim: Ints, inner: Ints, outside: Floats, reach: float) -> list[Ints]:
    """The facets on one rim, in the direction that they run it; nothing where they can't stand.

    inner  (k,) points in the hole: facets stand on all of them, or else on the rim alone
    """
    for more in (inner, inner[:0]) if len(inner) else (inner,):
        which = np.concatenate([rim, more])
        corners = points[which]
        if len(more):
            flat, _ = _laid_flat(corners[: len(rim)], corners[len(rim) :])
            line = (np.arange(len(rim), dtype=np.int32),)
            made = constrained_delaunay(flat[: len(rim)], line, flat[len(rim) :]) if is_simple(flat, line) else None
            if made is None:
                continue
            found = made[1]
        else:
            found = np.empty((len(rim) - 2, 3), dtype=np.int32)
            _smallest_circles(corners, found)
        if (circumradii(corners, found) > reach * spacing[which][found].mean(axis=1)).any():
            continue
        new = facet_normals(corners, found)
        if (np.einsum("ij,ij->i", new[_owner(found, len(rim))], outside) >= _FOLDED).all():
            return [which[found].astype(np.int32)]
    return []


def _owner(triangles: Ints, count: int) -> Ints:
    """(count,) which triangle has the edge i -> i + 1 of the rim, whose corners are the first."""
    owner = np.zeros(count, dtype=np.int32)
    for k in range(3):
        a, b = triangles[:, k], triangles[:, (k + 1) % 3]
        on = (a < count) & (b == (a + 1) % count)
        owner[a[on]] = np.nonzero(on)[0]
    return owner


@njit(cache=True)
def _smallest_circles(corners: Floats, out: Ints) -> None:
    """Triangles (n - 2, 3) on a closed line of corners (n, 3), whose circles are smallest in the sum of their squares.

    Dynamic programming over the line's parts (Klincsek 1980); a rim of scanned points has no thin facets then.
    """
    count = corners.shape[0]
    least = np.zeros((count, count))
    middle = np.zeros((count, count), dtype=np.int32)
    for span in range(2, count):
        for i in range(count - span):
            j = i + span
            least[i, j] = np.inf
            middle[i, j] = i + 1
            for k in range(i + 1, j):
                # Corners on a line have no circle: dear, but not out of question.
                radius = min(circumradius(corners, i, k, j), 1e9)
                cost = least[i, k] + least[k, j] + radius * radius
                if cost < least[i, j]:
                    least[i, j], middle[i, j] = cost, k
    triangles_of_parts(middle, out)
