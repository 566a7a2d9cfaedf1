"""What hangs together, and a mesh without the vertices that no facet names.

Arrays: `v` vertices (n, 3) float64 in mm, `f` faces (m, 3) int32 whose corners run counter-clockwise seen from
outside. Edge `k` of a facet runs from corner `k` to corner `(k + 1) % 3`. All results are the same for the same input,
whatever the number of threads.
"""

from __future__ import annotations

import numpy as np

from pipeline.geometry import Floats, Ints
from pipeline.jit import njit


@njit(cache=True)
def _flood(neighbours: Ints) -> tuple[Ints, int]:
    labels = np.full(neighbours.shape[0], -1, dtype=np.int32)
    stack = np.empty(neighbours.shape[0], dtype=np.int32)
    label = 0
    for seed in range(neighbours.shape[0]):
        if labels[seed] >= 0:
            continue
        labels[seed] = label
        stack[0] = seed
        top = 1
        while top > 0:
            top -= 1
            i = stack[top]
            for k in range(3):
                j = neighbours[i, k]
                if j >= 0 and labels[j] < 0:
                    labels[j] = label
                    stack[top] = j
                    top += 1
        label += 1
    return labels, label


def components(neighbours: Ints) -> Ints:
    """(m,) number of the connected component of each facet; 0 is the one with most facets, and so on down.

    neighbours  (m, 3) as `facet_neighbours` gives them; facets that share a vertex only are not connected

    >>> components(np.array([[-1, -1, -1], [-1, -1, 2], [1, -1, -1]], np.int32)).tolist()
    [1, 0, 0]
    """
    labels, count = _flood(neighbours)
    sizes = np.bincount(labels, minlength=count)
    rank = np.empty(count, dtype=np.int32)
    rank[np.argsort(-sizes, kind="stable")] = np.arange(count, dtype=np.int32)
    return rank[labels]


@njit(cache=True)
def _compact(f: Ints, n: int) -> tuple[Ints, Ints]:
    new = np.full(n, -1, dtype=np.int32)
    for i in range(f.shape[0]):
        for k in range(3):
            new[f[i, k]] = 0
    count = 0
    for p in range(n):
        if new[p] == 0:
            new[p] = count
            count += 1
    faces = np.empty_like(f)
    for i in range(f.shape[0]):
        for k in range(3):
            faces[i, k] = new[f[i, k]]
    kept = np.empty(count, dtype=np.int32)
    for p in range(n):
        if new[p] >= 0:
            kept[new[p]] = p
    return faces, kept


def compact(v: Floats, f: Ints) -> tuple[Floats, Ints, Ints]:
    """Leave out vertices that no facet uses.

    v, f  vertices (n, 3) mm and faces (m, 3)

    Returns vertices (k, 3) mm, faces (m, 3), and the old index (k,) of each vertex kept.

    >>> v = np.array([[9.0, 9.0, 9.0], [0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    >>> vertices, faces, kept = compact(v, np.array([[1, 2, 3]], np.int32))
    >>> vertices[0].tolist(), faces.tolist(), kept.tolist()
    ([0.0, 0.0, 0.0], [[0, 1, 2]], [1, 2, 3])
    """
    faces, kept = _compact(f, len(v))
    return (v if len(kept) == len(v) else v[kept]), faces, kept
