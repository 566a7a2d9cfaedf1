"""Spikes: single vertices that a scan throws out far over the surface round them."""

from __future__ import annotations

import numpy as np

from pipeline.geometry import Floats, Ints, Mask
from pipeline.jit import njit, prange
from pipeline.mesh.topology import vertex_facets


@njit(cache=True, parallel=True)
def _spike_heights(v: Floats, f: Ints, indptr: Ints, facets: Ints) -> Floats:
    """Height of each vertex over its ring where it stands out like a needle, else 0."""
    out = np.zeros(v.shape[0])
    for p in prange(v.shape[0]):
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
        if legs <= 2.5 * rim:
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
    high = _spike_heights(v, f, *vertex_facets(f, len(v))) > least
    return high[f[:, 0]] | high[f[:, 1]] | high[f[:, 2]]
