"""What hangs together, and a mesh without the vertices that no facet names.

Arrays: `v` vertices (n, 3) float64 in mm, `f` faces (m, 3) int32 whose corners run counter-clockwise seen from
outside. Edge `k` of a facet runs from corner `k` to corner `(k + 1) % 3`. All results are the same for the same input,
whatever the number of threads.
"""

from __future__ import annotations

import numpy as np

from pipeline.geometry import Floats, Ints, Longs, Mask
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


@njit(cache=True)
def _sizes(labels: Ints, count: int) -> Longs:
    sizes = np.zeros(count, dtype=np.int64)
    for label in labels:
        sizes[label] += 1
    return sizes


@njit(cache=True)
def _renumber(labels: Ints, rank: Ints) -> None:
    for i in range(labels.size):
        labels[i] = rank[labels[i]]


def components(neighbours: Ints) -> Ints:
    """(m,) number of the connected component of each facet; 0 is the one with most facets, and so on down.

    neighbours  (m, 3) as `facet_neighbours` gives them; facets that share a vertex only are not connected

    >>> components(np.array([[-1, -1, -1], [-1, -1, 2], [1, -1, -1]], np.int32)).tolist()
    [1, 0, 0]
    """
    labels, count = _flood(neighbours)
    order = np.argsort(-_sizes(labels, count), kind="stable")
    rank = np.empty(count, dtype=np.int32)
    rank[order] = np.arange(count, dtype=np.int32)
    _renumber(labels, rank)
    return labels


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


@njit(cache=True)
def _rows(v: Floats, kept: Ints) -> Floats:
    out = np.empty((kept.size, 3))
    for i in range(kept.size):
        for k in range(3):
            out[i, k] = v[kept[i], k]
    return out


@njit(cache=True)
def _rows_left(f: Ints, gone: Mask, out: Ints) -> None:
    # What lies between two that are gone moves as a whole.
    row = i = 0
    while i < gone.size:
        start = i
        while i < gone.size and not gone[i]:
            i += 1
        for r in range(start, i):
            for k in range(3):
                out[row, k] = f[r, k]
            row += 1
        while i < gone.size and gone[i]:
            i += 1


def rows_left(f: Ints, gone: Mask, out: Ints | None = None) -> Ints:
    """The faces (k, 3) that are left of f (m, 3) without those of a mask (m,): f[~gone], in a third of the time.

    out  where they go, of k rows at least: f itself where it isn't needed any more

    >>> rows_left(np.array([[0, 1, 2], [0, 2, 3]], np.int32), np.array([True, False])).tolist()
    [[0, 2, 3]]
    """
    count = len(gone) - int(np.count_nonzero(gone))
    out = np.empty((count, 3), dtype=np.int32) if out is None else out
    _rows_left(f, gone, out)
    return out[:count]


@njit(cache=True)
def _values_left(values: Floats, gone: Mask) -> int:
    row = 0
    for i in range(gone.size):
        values[row] = values[i]
        row += 0 if gone[i] else 1
    return row


def values_left(values: Floats, gone: Mask) -> Floats:
    """The values (k,) that are left of those (m,) that are used up, without those of a mask (m,).

    >>> values_left(np.array([1.0, 2.0, 3.0]), np.array([False, True, False])).tolist()
    [1.0, 3.0]
    """
    return values[: _values_left(values, gone)]


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
    return (v if len(kept) == len(v) else _rows(v, kept)), faces, kept
