"""Facets without area whose corners are three points: one corner lies on the opposite side."""

from __future__ import annotations

import numpy as np

from pipeline.geometry import Floats, Ints, Mask
from pipeline.jit import njit


@njit(cache=True)
def _longest(v: Floats, f: Ints, i: int) -> tuple[int, bool]:
    """The longest side of facet i, and whether its height over it is under 1e-7 of that side: no area."""
    best, side = -1.0, 0
    for k in range(3):
        a, b = f[i, k], f[i, (k + 1) % 3]
        length = (v[a, 0] - v[b, 0]) ** 2 + (v[a, 1] - v[b, 1]) ** 2 + (v[a, 2] - v[b, 2]) ** 2
        if length > best:
            best, side = length, k
    a, b, c = f[i, 0], f[i, 1], f[i, 2]
    ux, uy, uz = v[b, 0] - v[a, 0], v[b, 1] - v[a, 1], v[b, 2] - v[a, 2]
    wx, wy, wz = v[c, 0] - v[a, 0], v[c, 1] - v[a, 1], v[c, 2] - v[a, 2]
    x, y, z = uy * wz - uz * wy, uz * wx - ux * wz, ux * wy - uy * wx
    return side, np.sqrt(x * x + y * y + z * z) <= 1e-7 * best


@njit(cache=True)
def _joined(f: Ints, neighbours: Ints, i: int, c: int, d: int) -> bool:
    """Whether an edge of the fan of facet i round its vertex c ends in d already."""
    for way in range(2):
        j = i
        while True:
            k = 0 if f[j, 0] == c else (1 if f[j, 1] == c else 2)
            if f[j, (k + 1) % 3] == d or f[j, (k + 2) % 3] == d:
                return True
            j = neighbours[j, k if way == 0 else (k + 2) % 3]
            if j < 0 or j == i:
                break
    return False


@njit(cache=True)
def _replace(neighbours: Ints, j: int, old: int, new: int) -> None:
    if j >= 0:
        for k in range(3):
            if neighbours[j, k] == old:
                neighbours[j, k] = new
                break


@njit(cache=True)
def _flip_edges(v: Floats, f: Ints, neighbours: Ints, changed: Mask) -> int:
    count = 0
    for i in range(f.shape[0]):
        k, flat = _longest(v, f, i)
        j = neighbours[i, k]
        if not flat or j < 0:
            continue
        a, b, c = f[i, k], f[i, (k + 1) % 3], f[i, (k + 2) % 3]
        q = 0 if f[j, 0] == b else (1 if f[j, 1] == b else 2)
        d = f[j, (q + 2) % 3]
        if f[j, (q + 1) % 3] != a or d == c or _joined(f, neighbours, i, c, d):
            continue
        beside_b, beside_a = neighbours[i, (k + 1) % 3], neighbours[i, (k + 2) % 3]
        over_a, over_b = neighbours[j, (q + 1) % 3], neighbours[j, (q + 2) % 3]
        f[i, 0], f[i, 1], f[i, 2] = a, d, c
        neighbours[i, 0], neighbours[i, 1], neighbours[i, 2] = over_a, j, beside_a
        f[j, 0], f[j, 1], f[j, 2] = d, b, c
        neighbours[j, 0], neighbours[j, 1], neighbours[j, 2] = over_b, beside_b, i
        _replace(neighbours, over_a, j, i)
        _replace(neighbours, beside_b, i, j)
        changed[i] = changed[j] = True
        count += 1
    return count


@njit(cache=True)
def _zero_area_facets(v: Floats, f: Ints) -> Mask:
    out = np.zeros(f.shape[0], dtype=np.bool_)
    for i in range(f.shape[0]):
        out[i] = _longest(v, f, i)[1]
    return out


def zero_area_facets(v: Floats, f: Ints) -> Mask:
    """(m,) facets of v (n, 3) mm and f (m, 3) without area: their height is under 1e-7 of their longest side.

    >>> v = np.array([[0.0, 0.0, 0.0], [2.0, 0.0, 0.0], [1.0, 0.0, 0.0], [1.0, -1.0, 0.0]])
    >>> zero_area_facets(v, np.array([[0, 1, 2], [1, 0, 3]], np.int32)).tolist()
    [True, False]
    """
    return _zero_area_facets(v, f)


def flip_zero_area(v: Floats, f: Ints, neighbours: Ints) -> tuple[Ints, Ints, Mask]:
    """Give facets without area a share of the facet on their longest side, by turning that side.

    v, f        vertices (n, 3) mm and faces (m, 3), an oriented manifold, which it stays
    neighbours  (m, 3) facet across each edge

    Returns faces (m, 3), neighbours (m, 3) and which facets changed (m,). A facet with a border there, or whose turned
    side is there already, stays as it is. The surface stays the same set of points.

    >>> v = np.array([[0.0, 0.0, 0.0], [2.0, 0.0, 0.0], [1.0, 0.0, 0.0], [1.0, -1.0, 0.0]])
    >>> f, neighbours = np.array([[0, 1, 2], [1, 0, 3]], np.int32), np.array([[1, -1, -1], [0, -1, -1]], np.int32)
    >>> faces, _, changed = flip_zero_area(v, f, neighbours)
    >>> faces.tolist(), changed.tolist()
    ([[0, 3, 2], [3, 1, 2]], [True, True])
    """
    f, neighbours = f.copy(), neighbours.copy()
    changed = np.zeros(len(f), dtype=bool)
    for _ in range(4):
        if _flip_edges(v, f, neighbours, changed) == 0:
            break
    return f, neighbours, changed
