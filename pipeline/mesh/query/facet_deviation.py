"""How far the facets of a light mesh are from a dense one, found by walking over the dense facets.

From a point to the next one on a light facet the nearest dense facet moves to a neighbour or stays. Where
the walk ends is a dense facet, so the distance to it is never too small; it can be too large where the
walk ends in a dead end, and then a tree has to be asked. Cost: some 0.3 us of CPU a point.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.jit import njit, prange
from pipeline.mesh.query.facet_points import nearest_on_facet
from pipeline.surfaces import distance_gradient

# Fewest and most steps along a facet's sides to begin with, and the most where distances change fast.
_FEWEST, _MOST, _FINEST = 4, 64, 256
# So many facets of one corner are gone round.
_FAN = 7
# A facet that uses more than this share of the limit is looked at twice as finely.
_HIGH = 0.4


def farthest_on_facets(
    points: NDArray, faces: NDArray, labels: NDArray, begin: NDArray,
    dense: NDArray, dense_faces: NDArray, neighbours: NDArray, dense_labels: NDArray, table: NDArray,
    pitch: float, limit: float, most: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int32]]:  # fmt: skip
    """For each light facet (k, 3) the largest distance (k,) mm, or one over `limit`; where (k, 3); steps (k,).

    labels, dense_labels  carrier of each light and dense facet, a row of `table`, or -1; where both have
                          the same one the distance to the carrier counts if it is smaller
    begin                 (k,) dense facet near the first corner of each light facet
    neighbours            (m, 3) of the dense facets, below 0 where there is none

    Points lie on a grid of steps no longer than `pitch` mm, half as long where the distance comes near the
    limit, and finer where distances that rise from both sides would meet above `most` mm between two points.
    """
    return _farthest(
        points, faces, labels, begin, dense, dense_faces, neighbours, dense_labels, table, float(pitch), float(limit),
        float(most),
    )  # fmt: skip


@njit(cache=True, inline="always")
def _from_facet(x: float, y: float, z: float, v: NDArray, f: NDArray, g: int) -> float:
    i, j, k = f[g, 0], f[g, 1], f[g, 2]
    nx, ny, nz = nearest_on_facet(
        x, y, z, v[i, 0], v[i, 1], v[i, 2], v[j, 0], v[j, 1], v[j, 2], v[k, 0], v[k, 1], v[k, 2]
    )
    return (x - nx) ** 2 + (y - ny) ** 2 + (z - nz) ** 2


@njit(cache=True)
def _walk(x: float, y: float, z: float, g: int, v: NDArray, f: NDArray, neighbours: NDArray) -> tuple[int, float]:
    """The dense facet that a walk from g ends on, and its squared distance.

    Where the nearest point is a corner its other facets are no nearer, but one behind them may be.
    """
    best = _from_facet(x, y, z, v, f, g)
    at, came, level = g, -1, 0
    while level <= _FAN:
        onto, least = -1, np.inf
        for e in range(3):
            h = neighbours[at, e]
            if h < 0 or h == came:
                continue
            d2 = _from_facet(x, y, z, v, f, h)
            if d2 < least:
                least = d2
                onto = h
        if least > best:
            break
        level = level + 1 if least == best else 0
        came = at
        at = onto
        if least < best:
            best = least
            g = at
    return g, best


@njit(cache=True)
def _rises_above(d: NDArray, n: int, most: float) -> bool:
    """Whether along some line of the grid the slopes of two neighbours, drawn on, meet above `most`."""
    for direction in range(3):
        for line in range(n - 2):
            length = n - line
            for s in range(length - 2):
                a = _along(d, n, direction, line, s)
                b = _along(d, n, direction, line, s + 1)
                c = _along(d, n, direction, line, s + 2)
                e = _along(d, n, direction, line, s + 3)
                left, right = b - a, c - e
                if left + right <= 0.0:
                    continue
                x = (c + right - b) / (left + right)
                if 0.0 < x < 1.0 and b + left * x > most:
                    return True
    return False


@njit(cache=True, inline="always")
def _along(d: NDArray, n: int, direction: int, line: int, s: int) -> float:
    if direction == 0:
        i, j = line, s
    elif direction == 1:
        i, j = s, line
    else:
        i, j = s, n - line - s
    return d[i * (n + 1) - i * (i - 1) // 2 + j]


@njit(cache=True, parallel=True)
def _farthest(
    points: NDArray, faces: NDArray, labels: NDArray, begin: NDArray, dense: NDArray, dense_faces: NDArray,
    neighbours: NDArray, dense_labels: NDArray, table: NDArray, pitch: float, limit: float, most: float,
) -> tuple[NDArray, NDArray, NDArray]:  # fmt: skip
    out = np.zeros(len(faces))
    where = np.zeros((len(faces), 3))
    steps = np.zeros(len(faces), dtype=np.int32)
    for t in prange(len(faces)):
        a, b, c = points[faces[t, 0]], points[faces[t, 1]], points[faces[t, 2]]
        long2 = 0.0
        for k in range(3):
            p, q = points[faces[t, k]], points[faces[t, (k + 1) % 3]]
            long2 = max(long2, (p[0] - q[0]) ** 2 + (p[1] - q[1]) ** 2 + (p[2] - q[2]) ** 2)
        n = min(max(int(np.ceil(np.sqrt(long2) / pitch)), _FEWEST), _MOST)
        steps[t] = n
        finer = False
        while True:
            found = np.empty((n + 1) * (n + 2) // 2)
            at = 0
            row = begin[t]
            for i in range(n + 1):
                g = row
                for j in range(n + 1 - i):
                    r, s = i / n, j / n
                    x = (1.0 - r - s) * a[0] + r * b[0] + s * c[0]
                    y = (1.0 - r - s) * a[1] + r * b[1] + s * c[1]
                    z = (1.0 - r - s) * a[2] + r * b[2] + s * c[2]
                    g, d2 = _walk(x, y, z, g, dense, dense_faces, neighbours)
                    d = np.sqrt(d2)
                    if labels[t] >= 0 and dense_labels[g] == labels[t]:
                        d = min(d, abs(distance_gradient(table[labels[t]], x, y, z)[0]))
                    if j == 0:
                        row = g
                    if d > out[t]:
                        out[t] = d
                        where[t, 0], where[t, 1], where[t, 2] = x, y, z
                    found[at] = d
                    at += 1
                if out[t] > limit:
                    break
            if out[t] > limit or 2 * n > _FINEST:
                break
            if (finer or out[t] <= _HIGH * limit) and not _rises_above(found, n, most):
                break
            finer = True
            n *= 2
    return out, where, steps
