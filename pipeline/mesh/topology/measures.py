"""Normals, areas and edge lengths of a triangle mesh.

Arrays: `v` vertices (n, 3) float64 in mm, `f` faces (m, 3) int32 whose corners run counter-clockwise seen from
outside. Edge `k` of a facet runs from corner `k` to corner `(k + 1) % 3`. All results are the same for the same input,
whatever the number of threads.
"""

from __future__ import annotations

import numpy as np

from pipeline.geometry import Floats, Ints, area_vectors
from pipeline.jit import njit, prange

# Waking the threads of a parallel kernel costs more than it saves below this many facets.
_FEW = 5_000


@njit(cache=True, parallel=True)
def _facet_vectors(v: Floats, f: Ints) -> Floats:
    out = np.empty((f.shape[0], 3))
    for i in prange(f.shape[0]):
        a, b, c = f[i, 0], f[i, 1], f[i, 2]
        ux, uy, uz = v[b, 0] - v[a, 0], v[b, 1] - v[a, 1], v[b, 2] - v[a, 2]
        wx, wy, wz = v[c, 0] - v[a, 0], v[c, 1] - v[a, 1], v[c, 2] - v[a, 2]
        out[i, 0] = uy * wz - uz * wy
        out[i, 1] = uz * wx - ux * wz
        out[i, 2] = ux * wy - uy * wx
    return out


@njit(cache=True, parallel=True)
def _unit(vectors: Floats) -> Floats:
    for i in prange(vectors.shape[0]):
        x, y, z = vectors[i, 0], vectors[i, 1], vectors[i, 2]
        length = np.sqrt(x * x + y * y + z * z)
        if length > 0:
            vectors[i, 0], vectors[i, 1], vectors[i, 2] = x / length, y / length, z / length
    return vectors


@njit(cache=True)
def facet_area(v: Floats, f: Ints, i: int) -> float:
    """Area, mm2, of facet i of v (n, 3) mm and f (m, 3). Can be called from compiled code.

    >>> v = np.array([[0.0, 0.0, 0.0], [4.0, 0.0, 0.0], [0.0, 3.0, 0.0]])
    >>> facet_area(v, np.array([[0, 1, 2]], np.int32), 0)
    6.0
    """
    a, b, c = f[i, 0], f[i, 1], f[i, 2]
    ux, uy, uz = v[b, 0] - v[a, 0], v[b, 1] - v[a, 1], v[b, 2] - v[a, 2]
    wx, wy, wz = v[c, 0] - v[a, 0], v[c, 1] - v[a, 1], v[c, 2] - v[a, 2]
    x, y, z = uy * wz - uz * wy, uz * wx - ux * wz, ux * wy - uy * wx
    return 0.5 * np.sqrt(x * x + y * y + z * z)


@njit(cache=True, parallel=True)
def _facet_areas(v: Floats, f: Ints) -> Floats:
    out = np.empty(f.shape[0])
    for i in prange(f.shape[0]):
        out[i] = facet_area(v, f, int(np.int64(i)))
    return out


@njit(cache=True)
def _vertex_sums(v: Floats, f: Ints) -> Floats:
    out = np.zeros((v.shape[0], 3))
    for i in range(f.shape[0]):
        a, b, c = f[i, 0], f[i, 1], f[i, 2]
        ux, uy, uz = v[b, 0] - v[a, 0], v[b, 1] - v[a, 1], v[b, 2] - v[a, 2]
        wx, wy, wz = v[c, 0] - v[a, 0], v[c, 1] - v[a, 1], v[c, 2] - v[a, 2]
        x, y, z = uy * wz - uz * wy, uz * wx - ux * wz, ux * wy - uy * wx
        for p in (a, b, c):
            out[p, 0] += x
            out[p, 1] += y
            out[p, 2] += z
    return out


def facet_normals(v: Floats, f: Ints) -> Floats:
    """(m, 3) unit normals of the facets of v (n, 3) mm and f (m, 3); zero for a facet without area.

    >>> v = np.array([[0.0, 0.0, 0.0], [4.0, 0.0, 0.0], [0.0, 3.0, 0.0]])
    >>> facet_normals(v, np.array([[0, 1, 2], [0, 2, 1], [0, 1, 1]], np.int32)).tolist()
    [[0.0, 0.0, 1.0], [0.0, 0.0, -1.0], [0.0, 0.0, 0.0]]
    """
    if len(f) >= _FEW:
        return _unit(_facet_vectors(v, f))
    corners = v[f]
    vectors = area_vectors(corners)
    size = np.linalg.norm(vectors, axis=1, keepdims=True)
    return np.divide(vectors, size, out=vectors, where=size > 0)


def facet_areas(v: Floats, f: Ints) -> Floats:
    """(m,) areas in mm2 of the facets of v (n, 3) mm and f (m, 3).

    >>> v = np.array([[0.0, 0.0, 0.0], [4.0, 0.0, 0.0], [0.0, 3.0, 0.0]])
    >>> facet_areas(v, np.array([[0, 1, 2]], np.int32)).tolist()
    [6.0]
    """
    if len(f) >= _FEW:
        return _facet_areas(v, f)
    return np.asarray(0.5 * np.linalg.norm(area_vectors(v[f]), axis=1))


def vertex_normals(v: Floats, f: Ints) -> Floats:
    """(n, 3) unit normals, the facets' weighted by area; zero for a vertex without facets.

    v, f  vertices (n, 3) mm and faces (m, 3)

    >>> v = np.array([[0.0, 0.0, 0.0], [4.0, 0.0, 0.0], [0.0, 3.0, 0.0], [0.0, 0.0, 4.0]])
    >>> vertex_normals(v, np.array([[0, 1, 2], [0, 2, 3]], np.int32)).round(3)[:2].tolist()
    [[0.707, 0.0, 0.707], [0.0, 0.0, 1.0]]
    """
    return _unit(_vertex_sums(v, f))


@njit(cache=True, parallel=True)
def _edge_lengths(v: Floats, f: Ints) -> Floats:
    out = np.empty(f.shape)
    for i in prange(f.shape[0]):
        for k in range(3):
            a, b = f[i, k], f[i, (k + 1) % 3]
            x, y, z = v[b, 0] - v[a, 0], v[b, 1] - v[a, 1], v[b, 2] - v[a, 2]
            out[i, k] = np.sqrt(x * x + y * y + z * z)
    return out


def edge_lengths(v: Floats, f: Ints) -> Floats:
    """(m, 3) length in mm of the edges of each facet of v (n, 3) mm and f (m, 3), in the order of its corners.

    >>> v = np.array([[0.0, 0.0, 0.0], [4.0, 0.0, 0.0], [0.0, 3.0, 0.0]])
    >>> edge_lengths(v, np.array([[0, 1, 2]], np.int32)).tolist()
    [[4.0, 5.0, 3.0]]
    """
    return _edge_lengths(v, f)


def _some(f: Ints) -> Ints:
    # A few hundred thousand facets, evenly spread, give the figure to 0.1 % on a mesh of any size.
    return f[:: max(len(f) // 300_000, 1)]


def mean_edge(v: Floats, f: Ints) -> float:
    """Mean edge length in mm of v (n, 3) mm and f (m, 3), from an even sample of the facets; 0 without facets.

    An edge between two facets counts for both.

    >>> v = np.array([[0.0, 0.0, 0.0], [5.0, 0.0, 0.0], [0.0, 12.0, 0.0]])
    >>> mean_edge(v, np.array([[0, 1, 2]], np.int32))
    10.0
    """
    return float(_edge_lengths(v, _some(f)).mean()) if len(f) else 0.0


def median_edge(v: Floats, f: Ints) -> float:
    """Median edge length in mm of v (n, 3) mm and f (m, 3), from an even sample of the facets; 0 without facets.

    An edge between two facets counts for both.

    >>> v = np.array([[0.0, 0.0, 0.0], [5.0, 0.0, 0.0], [0.0, 12.0, 0.0]])
    >>> median_edge(v, np.array([[0, 1, 2]], np.int32))
    12.0
    """
    return float(np.median(_edge_lengths(v, _some(f)))) if len(f) else 0.0
