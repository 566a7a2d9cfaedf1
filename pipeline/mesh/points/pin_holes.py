"""Pin holes: where the stars of neighbouring points don't agree, facets on the points round the hole."""

from __future__ import annotations

import numpy as np

from pipeline.geometry import Floats, Indices, Ints, Longs
from pipeline.jit import njit
from pipeline.mesh.fill import triangles_of_parts
from pipeline.mesh.points.stars import circumradii, circumradius
from pipeline.mesh.topology import NONMANIFOLD, boundary_loops, cut_at_pinches, facet_neighbours, facet_normals

LONGEST = 30  # corners of a rim that is looked at: a longer one is that of a gap
_FOLDED = -0.5  # cosine between facets that meet: below it they are folded on each other


def without_pin_holes(points: Floats, faces: Ints, spacing: Floats, reach: float) -> Ints:
    """The facets (m, 3) and those that close what is too narrow to be a gap of the scan.

    points   (n, 3) mm; faces (m, 3), the same way round over each sheet
    spacing  (n,) mm, between points round each
    reach    times the spacing that the circle through a new facet's corners may be in radius

    A hole is closed whole or not at all, with no point added; one whose facets would be wider, fold back, or meet
    others at an edge that has two, stays open.

    >>> around = np.radians(np.arange(0, 360, 60))
    >>> points = np.vstack([np.c_[r * np.cos(around), r * np.sin(around), 0.0 * around] for r in (1.0, 2.0)])
    >>> k = np.arange(6)
    >>> ring = np.vstack([np.c_[k, k + 6, (k + 1) % 6 + 6], np.c_[k, (k + 1) % 6 + 6, (k + 1) % 6]]).astype(np.int32)
    >>> [len(without_pin_holes(points, ring, np.full(12, 1.0), reach)) for reach in (0.5, 1.5)]
    [12, 16]
    """
    count = len(points)
    neighbours = facet_neighbours(faces, count)
    normals = facet_normals(points, faces)
    row, edge = np.nonzero(neighbours < 0)
    keys = faces[row, edge].astype(np.int64) * count + faces[row, (edge + 1) % 3]
    order = np.argsort(keys)
    keys, row = keys[order], row[order]
    patches: list[Ints] = []
    for loop in boundary_loops(faces, count, neighbours):
        if len(loop) > 4 * LONGEST:
            continue
        for walk in cut_at_pinches(loop.tolist()):
            if 3 <= len(walk) <= LONGEST:
                patches += _patch(points, spacing, np.array(walk[::-1], dtype=np.int32), keys, row, normals, reach)
    if not patches:
        return faces
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
    return np.vstack([faces, new])


def _patch(
    points: Floats, spacing: Floats, rim: Ints, keys: Longs, row: Indices, normals: Floats, reach: float
) -> list[Ints]:
    """The facets on one rim, in the direction that they run it; nothing where they can't stand."""
    count = len(points)
    wanted = np.roll(rim, -1).astype(np.int64) * count + rim
    at = np.minimum(np.searchsorted(keys, wanted), len(keys) - 1)
    if (keys[at] != wanted).any():
        return []
    outside = normals[row[at]]
    corners = points[rim]
    found = np.empty((len(rim) - 2, 3), dtype=np.int32)
    _smallest_circles(corners, found)
    wide = circumradii(corners, found)
    if (wide > reach * spacing[rim][found].mean(axis=1)).any():
        return []
    new = facet_normals(corners, found)
    if (np.einsum("ij,ij->i", new[_owner(found, len(rim))], outside) < _FOLDED).any():
        return []
    return [rim[found].astype(np.int32)]


def _owner(triangles: Ints, count: int) -> Ints:
    """(count,) which triangle has the edge i -> i + 1 of the rim."""
    owner = np.zeros(count, dtype=np.int32)
    for k in range(3):
        a, b = triangles[:, k], triangles[:, (k + 1) % 3]
        on = b == (a + 1) % count
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
