"""Spikes: single vertices that a scan throws out far over the surface round them."""

from __future__ import annotations

import numpy as np

from pipeline.geometry import Floats, Ints, Mask
from pipeline.jit import njit
from pipeline.mesh.topology import facets_at, vertex_facets

# A vertex stands out like a needle where the sides from it are so many times as long as what is round it.
_NEEDLE = 2.5


@njit(cache=True, inline="always")
def _square(v: Floats, a: int, b: int) -> float:
    return (v[a, 0] - v[b, 0]) ** 2 + (v[a, 1] - v[b, 1]) ** 2 + (v[a, 2] - v[b, 2]) ** 2


@njit(cache=True)
def _at_needles(v: Floats, f: Ints) -> Mask:
    """Vertices opposite to a side so short that they may stand out: where all sides are longer, their sum is too."""
    out = np.zeros(v.shape[0], dtype=np.bool_)
    limit = 0.99 * _NEEDLE * _NEEDLE
    for i in range(f.shape[0]):
        a, b, c = f[i, 0], f[i, 1], f[i, 2]
        ab, bc, ca = _square(v, a, b), _square(v, b, c), _square(v, c, a)
        if max(ab, bc, ca) < limit * min(ab, bc, ca):
            continue
        for p, rim, leg in ((a, bc, max(ab, ca)), (b, ca, max(ab, bc)), (c, ab, max(bc, ca))):
            if leg >= limit * rim:
                out[p] = True
    return out


@njit(cache=True)
def _spike_heights(v: Floats, f: Ints, indptr: Ints, facets: Ints, asked: Mask) -> Floats:
    """Height over its ring of each vertex asked for where it stands out like a needle, else 0."""
    out = np.zeros(v.shape[0])
    for p in np.flatnonzero(asked):
        count = indptr[p + 1] - indptr[p]
        if count < 3:
            continue
        centre = np.zeros(3)
        normal = np.zeros(3)
        legs = rim = 0.0
        for s in range(indptr[p], indptr[p + 1]):
            i = facets[s]
            k = 0 if f[i, 0] == p else (1 if f[i, 1] == p else 2)
            a, b = f[i, (k + 1) % 3], f[i, (k + 2) % 3]
            ux, uy, uz = v[a, 0] - v[p, 0], v[a, 1] - v[p, 1], v[a, 2] - v[p, 2]
            wx, wy, wz = v[b, 0] - v[p, 0], v[b, 1] - v[p, 1], v[b, 2] - v[p, 2]
            normal[0] += uy * wz - uz * wy
            normal[1] += uz * wx - ux * wz
            normal[2] += ux * wy - uy * wx
            legs += 0.5 * (np.sqrt(ux * ux + uy * uy + uz * uz) + np.sqrt(wx * wx + wy * wy + wz * wz))
            rim += np.sqrt((ux - wx) ** 2 + (uy - wy) ** 2 + (uz - wz) ** 2)
            for k in range(3):
                centre[k] += 0.5 * (v[a, k] + v[b, k])
        if legs <= _NEEDLE * rim:
            continue
        length = np.sqrt(normal[0] ** 2 + normal[1] ** 2 + normal[2] ** 2)
        if length == 0:
            continue
        height = 0.0
        spread = 0.0
        for k in range(3):
            height += (v[p, k] - centre[k] / count) * normal[k] / length
        for s in range(indptr[p], indptr[p + 1]):
            i = facets[s]
            square = 0.0
            k = 0 if f[i, 0] == p else (1 if f[i, 1] == p else 2)
            for c in range(3):
                square += (v[f[i, (k + 1) % 3], c] - centre[c] / count) ** 2
            spread += np.sqrt(square) / count
        if abs(height) > 2.0 * spread:
            out[p] = abs(height)
    return out


def spikes(v: Floats, f: Ints, least: float) -> Mask:
    """(m,) facets round a single vertex that stands over its ring by `least` mm and twice the ring's radius.

    v, f  vertices (n, 3) mm and faces (m, 3)

    >>> v = np.array([[0, 0, 9], [1, 0, 0], [0, 1, 0], [-1, 0, 0], [0, -1, 0], [1, 1, 0]], float)
    >>> f = np.array([[0, 1, 2], [0, 2, 3], [0, 3, 4], [0, 4, 1], [2, 1, 5]], np.int32)
    >>> spikes(v, f, 5.0).tolist()
    [True, True, True, True, False]
    """
    asked = _at_needles(v, f)
    near = f[facets_at(f, asked)]
    high = _spike_heights(v, near, *vertex_facets(near, len(v)), asked) > least
    return facets_at(f, high)
