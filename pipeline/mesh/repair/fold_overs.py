"""Fold-overs, facets that lie turned over in their surroundings: found, and set right by flipping an edge.

Two measures of them: `fold_overs` is for a scan, where a fold takes in the facets round it too, so that the vertices'
normals tell; `folded_facets` is for a mesh whose surroundings are sound, where the three across the edges do.
"""

from __future__ import annotations

import numpy as np

from pipeline.geometry import Floats, Ints, Mask, Point, Shorts
from pipeline.jit import njit, prange
from pipeline.mesh.topology import edge_lengths, facet_neighbours, facet_normals


def folded_facets(points: Floats, faces: Ints, neighbours: Ints | None = None) -> Mask:
    """Facets (m,) that face against those round them, weighted by the edges they share.

    points, faces  (n, 3) mm and (m, 3)
    neighbours     (m, 3) facet across each edge, if it is known already

    >>> points = np.array([[0.0, 0.0, 0.0], [2.0, 0.0, 0.0], [1.0, 2.0, 0.0], [1.0, -0.5, 0.0]])
    >>> folded_facets(points, np.array([[0, 1, 3], [1, 2, 3], [2, 0, 3]], np.int32)).tolist()
    [True, False, False]
    """
    if neighbours is None:
        neighbours = facet_neighbours(faces, len(points))
    normals = facet_normals(points, faces)
    facing = np.einsum("ij,ikj->ik", normals, normals[neighbours])
    out: Mask = (np.where(neighbours < 0, 1.0, facing) * edge_lengths(points, faces)).sum(axis=1) < 0
    return out


def unfold(points: Floats, faces: Ints, kind: Shorts) -> None:
    """Flip the longest edge of each thin folded facet, in place, where both facets are of the same kind >= 0.

    points, faces  (n, 3) mm and (m, 3)
    kind           (m,) int16; facets below 0 are left alone

    A corner that slipped over the opposite edge lies right again once that edge runs from it to the corner beyond
    (an edge flip: Lawson 1977).

    >>> points = np.array([[0, 0, 0], [2, 0, 0], [1, 2, 0], [1, -0.5, 0], [1, -2, 0]], float)
    >>> faces = np.array([[0, 1, 3], [1, 2, 3], [2, 0, 3], [1, 0, 4]], np.int32)
    >>> unfold(points, faces, np.zeros(4, np.int16))
    >>> faces.tolist()
    [[3, 0, 4], [1, 2, 3], [2, 0, 3], [4, 1, 3]]
    """
    neighbours = facet_neighbours(faces, len(points))
    normals = facet_normals(points, faces)
    used: set[int] = set()
    for f in np.flatnonzero(folded_facets(points, faces, neighbours) & (kind >= 0)):
        k = int(np.argmax(edge_lengths(points, faces[f : f + 1])[0]))
        g = int(neighbours[f, k])
        if g < 0 or kind[g] != kind[f] or used & {int(f), g, *map(int, neighbours[f]), *map(int, neighbours[g])}:
            continue
        a, b, c = faces[f, k], faces[f, (k + 1) % 3], faces[f, (k + 2) % 3]
        beyond = [v for v in faces[g] if v not in (a, b)]
        joined = len(beyond) == 1 and (faces[(faces == c).any(axis=1)] == beyond[0]).any()
        if len(beyond) != 1 or joined:
            continue
        turned = np.array([[c, a, beyond[0]], [beyond[0], b, c]], dtype=faces.dtype)
        if (facet_normals(points, turned) @ normals[g] > 0).all():
            faces[f], faces[g] = turned
            used |= {int(f), g}


@njit(cache=True, inline="always")
def _vector(v: Floats, f: Ints, i: int) -> Point:
    """Twice the area vector of facet i."""
    a, b, c = f[i, 0], f[i, 1], f[i, 2]
    ux, uy, uz = v[b, 0] - v[a, 0], v[b, 1] - v[a, 1], v[b, 2] - v[a, 2]
    wx, wy, wz = v[c, 0] - v[a, 0], v[c, 1] - v[a, 1], v[c, 2] - v[a, 2]
    return uy * wz - uz * wy, uz * wx - ux * wz, ux * wy - uy * wx


@njit(cache=True)
def _normal(v: Floats, f: Ints, i: int) -> Point:
    x, y, z = _vector(v, f, i)
    length = np.sqrt(x * x + y * y + z * z)
    return (x / length, y / length, z / length) if length > 0 else (x, y, z)


@njit(cache=True, parallel=True)
def _steep(v: Floats, f: Ints, neighbours: Ints, limit: float) -> Mask:
    """Facets to one beside which the cosine may be below a limit; the few that are not are told by `_against`."""
    out = np.zeros(f.shape[0], dtype=np.bool_)
    for i in prange(f.shape[0]):
        x, y, z = _vector(v, f, int(np.int64(i)))
        square = x * x + y * y + z * z
        for k in range(3):
            j = neighbours[i, k]
            # Of the two the first asks for both; other threads write nothing but True either.
            if j <= i:
                continue
            p, q, r = _vector(v, f, j)
            dot, both = x * p + y * q + z * r, square * (p * p + q * q + r * r)
            # The cosine squared with its sign, rounding let be.
            if dot * abs(dot) <= limit * abs(limit) * both + 1e-9 * both:
                out[i] = out[j] = True
    return out


@njit(cache=True)
def _against(v: Floats, f: Ints, neighbours: Ints, steep: Ints, sums: Floats, limit: float) -> Mask:
    """Those of the facets `steep` that are turned against one beside them, and against the sums at their corners."""
    out = np.zeros(len(steep), dtype=np.bool_)
    for s in range(len(steep)):
        i = steep[s]
        normal = _normal(v, f, i)
        folded = False
        for k in range(3):
            j = neighbours[i, k]
            if j >= 0:
                other = _normal(v, f, j)
                across = 0.0
                for c in range(3):
                    across += normal[c] * other[c]
                folded |= across < limit
        if not folded:
            continue
        x = y = z = 0.0
        for k in range(3):
            p = f[i, k]
            # Without the facet's own share, which would speak for itself.
            a, b, c = sums[p, 0] - normal[0], sums[p, 1] - normal[1], sums[p, 2] - normal[2]
            length = np.sqrt(a * a + b * b + c * c)
            if length > 0:
                x, y, z = x + a / length, y + b / length, z + c / length
        length = np.sqrt(x * x + y * y + z * z)
        own = normal[0] * x + normal[1] * y + normal[2] * z
        out[s] = length > 0 and own < limit * length
    return out


@njit(cache=True)
def _normal_sums(v: Floats, f: Ints, asked: Mask) -> Floats:
    """Sums (n, 3) of the normals of the facets about the vertices that are asked for; zero for others."""
    sums = np.zeros((v.shape[0], 3))
    for i in range(f.shape[0]):
        if asked[f[i, 0]] or asked[f[i, 1]] or asked[f[i, 2]]:
            normal = _normal(v, f, i)
            for k in range(3):
                for c in range(3):
                    sums[f[i, k], c] += normal[c]
    return sums


def _turned(v: Floats, f: Ints, neighbours: Ints, limit: float) -> Mask:
    """(m,) facets whose cosine to the facets round them, and to one beside them, is below a limit."""
    out = np.zeros(len(f), dtype=np.bool_)
    steep = np.flatnonzero(_steep(v, f, neighbours, limit)).astype(np.int32)
    asked = np.zeros(len(v), dtype=np.bool_)
    asked[f[steep]] = True
    out[steep] = _against(v, f, neighbours, steep, _normal_sums(v, f, asked), limit)
    return out


def fold_overs(v: Floats, f: Ints, neighbours: Ints) -> Mask:
    """(m,) facets that are turned by more than 120 degrees against the facets round them and one beside them.

    v, f        vertices (n, 3) mm and faces (m, 3)
    neighbours  (m, 3) facet across each edge

    >>> v = np.array([[0, 0, 0], [2, 0, 0], [1, 2, 0], [1, -0.5, 0], [1, -2, 0]], float)
    >>> f = np.array([[0, 1, 3], [1, 2, 3], [2, 0, 3], [1, 0, 4]], np.int32)
    >>> fold_overs(v, f, facet_neighbours(f, 5)).tolist()
    [True, False, False, False]
    """
    return _turned(v, f, neighbours, -0.5)


def creased_facets(v: Floats, f: Ints, neighbours: Ints) -> Mask:
    """(m,) facets at more than 60 degrees to the facets round them and to one beside them."""
    return _turned(v, f, neighbours, 0.5)
