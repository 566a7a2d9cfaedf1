"""Vertices and facets in an order that hangs on the geometry alone, whatever order a file has them in.

Vertices come along the Morton curve: the bits of their three coordinates interleaved make one key (G. M. Morton, "A
computer oriented geodetic data base and a new technique in file sequencing", IBM Ottawa, 1966, from memory). So what
is close in space is mostly close in memory too. Each facet starts at its first vertex, and facets come in the order of
their corners.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry import Floats, Indices, Ints, box_of
from pipeline.jit import njit, prange
from pipeline.mesh.topology.adjacency import FEW

_Codes = NDArray[np.uint64]
# Three times so many bits make one key.
_CELLS = 2.0**21


@njit(cache=True, inline="always")
def _spread(bits: np.uint64) -> np.uint64:
    """21 bits, two zeros put between each and the next."""
    x = bits
    x = (x | (x << np.uint64(32))) & np.uint64(0x1F00000000FFFF)
    x = (x | (x << np.uint64(16))) & np.uint64(0x1F0000FF0000FF)
    x = (x | (x << np.uint64(8))) & np.uint64(0x100F00F00F00F00F)
    x = (x | (x << np.uint64(4))) & np.uint64(0x10C30C30C30C30C3)
    return (x | (x << np.uint64(2))) & np.uint64(0x1249249249249249)


@njit(cache=True, parallel=True)
def _codes(v: Floats, low: Floats, scale: float) -> _Codes:
    out = np.empty(v.shape[0], dtype=np.uint64)
    for i in prange(v.shape[0]):
        x = np.uint64((v[i, 0] - low[0]) * scale)
        y = np.uint64((v[i, 1] - low[1]) * scale)
        z = np.uint64((v[i, 2] - low[2]) * scale)
        out[i] = _spread(x) | (_spread(y) << np.uint64(1)) | (_spread(z) << np.uint64(2))
    return out


@njit(cache=True, parallel=True)
def _renumbered(f: Ints, rank: Ints) -> None:
    """Give the corners of each facet, in place, their new numbers, the smallest first and the way round kept."""
    for i in prange(f.shape[0]):
        a, b, c = rank[f[i, 0]], rank[f[i, 1]], rank[f[i, 2]]
        # Compared as a whole: of a facet that names a vertex twice, too, one turn comes first.
        first = (a, b, c)
        for turned in ((b, c, a), (c, a, b)):
            if turned < first:
                first = turned
        f[i, 0], f[i, 1], f[i, 2] = first


@njit(cache=True)
def _by_corners(f: Ints, n: int) -> Ints:
    """Where the facets stand that come in the order of their corners; equal ones stay as they are.

    A counting sort by the first corner, then those of one first corner, a few, by the others.
    """
    start = np.zeros(n + 1, dtype=np.int32)
    for i in range(f.shape[0]):
        start[f[i, 0] + 1] += 1
    for p in range(n):
        start[p + 1] += start[p]
    place = start[:-1].copy()
    out = np.empty(f.shape[0], dtype=np.int32)
    for i in range(f.shape[0]):
        out[place[f[i, 0]]] = i
        place[f[i, 0]] += 1
    for p in range(n):
        if start[p + 1] - start[p] > FEW:
            row = out[start[p] : start[p + 1]].copy()
            keys = np.empty(row.size, dtype=np.int64)
            for s in range(row.size):
                keys[s] = np.int64(f[row[s], 1]) << 32 | f[row[s], 2]
            out[start[p] : start[p + 1]] = row[np.argsort(keys, kind="mergesort")]
            continue
        for s in range(start[p] + 1, start[p + 1]):
            i = out[s]
            t = s
            while t > start[p] and (f[out[t - 1], 1], f[out[t - 1], 2]) > (f[i, 1], f[i, 2]):
                out[t] = out[t - 1]
                t -= 1
            out[t] = i
    return out


@njit(cache=True, parallel=True)
def _faces_at(f: Ints, stood: Ints) -> Ints:
    out = np.empty(f.shape, dtype=np.int32)
    for i in prange(f.shape[0]):
        for k in range(3):
            out[i, k] = f[stood[i], k]
    return out


def morton_order(v: Floats) -> Indices:
    """(n,) indices that put points v (n, 3), all finite, along the Morton curve; in one cell of it by x, y, z.

    Which of two equal points comes first hangs on their order in v: weld before.

    >>> points = np.array([[1.0, 1.0, 0.0], [0.0, 1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 0.0]])
    >>> morton_order(points).tolist()
    [3, 2, 1, 0]
    """
    v = np.ascontiguousarray(v, dtype=np.float64)
    low, high = box_of(v)
    with np.errstate(over="ignore", divide="ignore"):
        # The outermost point lies in the last cell too.
        scale = (_CELLS - 1.0) / float((high - low).max())
    # Of a size of which no number tells there is one cell.
    codes = _codes(v, low, scale) if 0.0 < scale < np.inf else np.zeros(len(v), dtype=np.uint64)
    order = np.argsort(codes)
    codes = codes[order]
    same = codes[1:] == codes[:-1]
    if same.any():
        shared = np.flatnonzero(np.append(same, False) | np.insert(same, 0, False))
        rows = order[shared]
        order[shared] = rows[np.lexsort((*v[rows].T[::-1], codes[shared]))]
    return order


def in_morton_order(v: Floats, f: Ints) -> tuple[Floats, Ints, Ints]:
    """Vertices v (n, 3), welded and finite, and faces f (m, 3), which are used up, in the order of the geometry.

    Returns vertices (n, 3), faces (m, 3), each as it ran but from its first vertex on, and where each facet stood in
    f (m,). Only of facets with the same corners in the same sense the order is that of f.

    >>> v = np.array([[0.0, 1.0, 0.0], [1.0, 1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 0.0]])
    >>> vertices, faces, stood = in_morton_order(v, np.array([[1, 0, 3], [1, 3, 2]], np.int32))
    >>> vertices[:, :2].tolist(), faces.tolist(), stood.tolist()
    ([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0], [1.0, 1.0]], [[0, 1, 3], [0, 3, 2]], [1, 0])
    """
    order = morton_order(v)
    rank = np.empty(len(v), dtype=np.int32)
    rank[order] = np.arange(len(v), dtype=np.int32)
    v = v[order]
    del order
    _renumbered(f, rank)
    del rank
    stood = _by_corners(f, len(v))
    return v, _faces_at(f, stood), stood
