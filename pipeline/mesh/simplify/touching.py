"""Vertices of a light mesh that lie at one place, moved a little apart, so that a file doesn't make one of them.

Where a scan was split into a manifold, sheets touch in copies of a vertex. A file that has each facet's corners, as STL
has, is read with one vertex a place: the sheets would be joined again.
"""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_matrix
from scipy.spatial import cKDTree

from pipeline.geometry import Floats, Ints, Mask, unit


def move_apart(points: Floats, faces: Ints, least: float) -> tuple[Floats, Mask]:
    """Points (n, 3) mm of which no two that aren't joined by an edge lie within `least` mm, and which (n,) were moved.

    Each one goes into its own sheet, towards the middle of its neighbours, by `least`. Sheets that lie on each other
    stay so. Below, two facets with a corner at one place.

    >>> v = np.array([[0.0, 0, 0], [1, -1, 0], [1, 1, 0], [0, 0, 0], [-1, 1, 0], [-1, -1, 0]])
    >>> moved, which = move_apart(v, np.array([[0, 1, 2], [3, 4, 5]], np.int32), 0.01)
    >>> moved[[0, 3]].tolist(), which.tolist()
    ([[0.01, 0.0, 0.0], [-0.01, 0.0, 0.0]], [True, False, False, True, False, False])
    """
    which = np.zeros(len(points), np.bool_)
    pairs = cKDTree(points).query_pairs(least, output_type="ndarray") if len(points) else np.empty((0, 2), np.int64)
    if not len(pairs):
        return points, which
    ends = np.concatenate([faces[:, [k, (k + 1) % 3]] for k in range(3)])
    ends = ends[np.isin(ends, pairs).any(axis=1)]
    joined = coo_matrix((np.ones(len(ends)), (ends[:, 0], ends[:, 1])), (len(points), len(points))).tocsr()
    joined = joined + joined.T
    pairs = pairs[np.asarray(joined[pairs[:, 0], pairs[:, 1]]).ravel() == 0.0]
    out = points.copy()
    for v in np.unique(pairs):
        ring = joined.indices[joined.indptr[v] : joined.indptr[v + 1]]
        way = points[ring].mean(axis=0) - points[v] if len(ring) else np.zeros(3)
        if np.linalg.norm(way) > 2.0 * least:
            out[v] += least * unit(way)
            which[v] = True
    return out, which
