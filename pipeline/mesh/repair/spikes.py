"""Facets that no surface of a solid part has: spikes and folds."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.jit import njit, prange
from pipeline.mesh.topology import facet_normals, vertex_facets

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
Mask = NDArray[np.bool_]


@njit(cache=True, parallel=True)
def _spike_heights(v, f, indptr, facets):  # type: ignore[no-untyped-def]
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
    """(m,) facets round a single vertex that stands over its ring by `least` mm and twice the ring's radius."""
    heights = _spike_heights(v, f, *vertex_facets(f, len(v)))
    return (heights > least)[f].any(axis=1)


@njit(cache=True, parallel=True)
def _against(f, neighbours, normals, sums, limit):  # type: ignore[no-untyped-def]
    out = np.zeros(f.shape[0], dtype=np.bool_)
    for i in prange(f.shape[0]):
        folded = False
        for k in range(3):
            j = neighbours[i, k]
            if j >= 0:
                across = 0.0
                for c in range(3):
                    across += normals[i, c] * normals[j, c]
                folded |= across < limit
        if not folded:
            continue
        x = y = z = 0.0
        for k in range(3):
            p = f[i, k]
            # Without the facet's own share, which would speak for itself.
            a, b, c = sums[p, 0] - normals[i, 0], sums[p, 1] - normals[i, 1], sums[p, 2] - normals[i, 2]
            length = np.sqrt(a * a + b * b + c * c)
            if length > 0:
                x, y, z = x + a / length, y + b / length, z + c / length
        length = np.sqrt(x * x + y * y + z * z)
        own = normals[i, 0] * x + normals[i, 1] * y + normals[i, 2] * z
        out[i] = length > 0 and own < limit * length
    return out


@njit(cache=True)
def _normal_sums(f, normals, n):  # type: ignore[no-untyped-def]
    sums = np.zeros((n, 3))
    for i in range(f.shape[0]):
        for k in range(3):
            for c in range(3):
                sums[f[i, k], c] += normals[i, c]
    return sums


def folds(v: Floats, f: Ints, neighbours: Ints) -> Mask:
    """(m,) facets that are turned by more than 120 degrees against the facets round them and one beside them."""
    normals = facet_normals(v, f)
    return _against(f, neighbours, normals, _normal_sums(f, normals, len(v)), -0.5)


def rough(v: Floats, f: Ints, neighbours: Ints) -> Mask:
    """(m,) facets at more than 60 degrees to the facets round them and to one beside them."""
    normals = facet_normals(v, f)
    return _against(f, neighbours, normals, _normal_sums(f, normals, len(v)), 0.5)
