"""Facet deviation (one-sided Hausdorff distance): how far the facets of a light mesh are from a dense one.

Found by walking over the dense facets: from a point to the next one on a light facet the nearest dense facet
moves to a neighbour or stays. Where the walk ends is a dense facet, so the distance to it is never too small; it
can be too large where the walk ends in a dead end, and then a tree has to be asked. Cost: some 0.3 us of CPU a point.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from pipeline.geometry import Floats, Ints, Point
from pipeline.jit import njit, prange
from pipeline.mesh.query.facet_points import nearest_on, point_at, square_distance
from pipeline.surfaces import distance_gradient

# Fewest and most steps along a facet's sides to begin with, and the most where distances change fast.
_FEWEST, _MOST, _FINEST = 4, 64, 256
# So many facets of one corner are gone round.
_FAN = 7
# A facet that uses more than this share of the limit is looked at twice as finely.
_HIGH = 0.4


class LightFacets(NamedTuple):
    """Facets of a light mesh: points (n, 3) mm, faces (k, 3) int32.

    labels  (k,) int32 carrier of each, a row of the table of carriers, -1 none
    begin   (k,) int32 dense facet near the first corner of each
    """

    points: Floats
    faces: Ints
    labels: Ints
    begin: Ints


class DenseMesh(NamedTuple):
    """The mesh that distances are taken to: vertices (n, 3) mm, faces (m, 3) int32.

    neighbours  (m, 3) int32 facet across each edge, below 0 where there is none
    labels      (m,) int32 carrier of each facet, a row of the table of carriers, -1 none
    shares      (m,) above 0 to 1: what lies on the inner side of a facet uses its distance divided by this
    """

    vertices: Floats
    faces: Ints
    neighbours: Ints
    labels: Ints
    shares: Floats


class _Bounds(NamedTuple):
    pitch: float
    limit: float
    most: float


class _Worst(NamedTuple):
    """Of each light facet the largest distance (k,) so far, the most that it uses (k,), and where (k, 3)."""

    distance: Floats
    used: Floats
    where: Floats


def farthest_on_facets(
    light: LightFacets, dense: DenseMesh, table: Floats, pitch: float, limit: float, most: float
) -> tuple[Floats, Floats, Floats, Ints]:
    """For each light facet (k, 3) the largest distance (k,) mm, and the most that it uses (k,), or one over `limit`;
    where that is (k, 3); steps (k,).

    table  carriers, one row each: where a light and a dense facet have the same one the distance to the carrier
           counts if it is smaller

    Points lie on a grid of steps no longer than `pitch` mm, half as long where the distance comes near the
    limit mm, and finer where distances that rise from both sides would meet above `most` mm between two points.

    >>> v = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [1.0, 1.0, 0.0], [0.0, 1.0, 0.0]])
    >>> f, free = np.array([[0, 1, 2], [0, 2, 3]], np.int32), np.full(2, -1, np.int32)
    >>> dense = DenseMesh(v, f, np.array([[-1, -1, 1], [0, -1, -1]], np.int32), free, np.full(2, 0.5))
    >>> raised = v + [[0, 0, 0.25], [0, 0, 0.5], [0, 0, 0], [0, 0, 0]]
    >>> light = LightFacets(raised, f, free, np.zeros(2, np.int32))
    >>> distance, used, where, steps = farthest_on_facets(light, dense, np.empty((0, 0)), 0.5, 1.0, 1.0)
    >>> distance.tolist(), where.tolist(), steps.tolist()
    ([0.5, 0.25], [[1.0, 0.0, 0.5], [0.0, 0.0, 0.25]], [4, 4])
    >>> turned = dense._replace(faces=f[:, [0, 2, 1]])
    >>> used.tolist(), farthest_on_facets(light, turned, np.empty((0, 0)), 0.5, 1.0, 1.0)[1].tolist()
    ([0.5, 0.25], [1.0, 0.5])
    """
    count = len(light.faces)
    worst = _Worst(np.zeros(count), np.zeros(count), np.zeros((count, 3)))
    steps = np.zeros(count, dtype=np.int32)
    _farthest(light, dense, table, _Bounds(float(pitch), float(limit), float(most)), worst, steps)
    return worst.distance, worst.used, worst.where, steps


@njit(cache=True, inline="always")
def _from_facet(p: Point, vertices: Floats, faces: Ints, g: int) -> float:
    return square_distance(p, nearest_on(p, vertices, faces, g))


@njit(cache=True, inline="always")
def _within(p: Point, vertices: Floats, faces: Ints, g: int) -> bool:
    """Whether p is on the inner side of facet g."""
    a, b, c = point_at(vertices, faces[g, 0]), point_at(vertices, faces[g, 1]), point_at(vertices, faces[g, 2])
    x, y, z = p[0] - a[0], p[1] - a[1], p[2] - a[2]
    u, w = (b[0] - a[0], b[1] - a[1], b[2] - a[2]), (c[0] - a[0], c[1] - a[1], c[2] - a[2])
    over = x * (u[1] * w[2] - u[2] * w[1]) + y * (u[2] * w[0] - u[0] * w[2]) + z * (u[0] * w[1] - u[1] * w[0])
    return over < 0.0


@njit(cache=True)
def _walk(p: Point, g: int, vertices: Floats, faces: Ints, neighbours: Ints) -> tuple[int, float]:
    """The dense facet that a walk from g ends on, and its squared distance.

    Where the nearest point is a corner its other facets are no nearer, but one behind them may be.
    """
    best = _from_facet(p, vertices, faces, g)
    at, came, level = g, -1, 0
    while level <= _FAN:
        onto, least = -1, np.inf
        for e in range(3):
            h = neighbours[at, e]
            if h < 0 or h == came:
                continue
            d2 = _from_facet(p, vertices, faces, h)
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
def _rises_above(d: Floats, n: int, most: float) -> bool:
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
def _along(d: Floats, n: int, direction: int, line: int, s: int) -> float:
    if direction == 0:
        i, j = line, s
    elif direction == 1:
        i, j = s, line
    else:
        i, j = s, n - line - s
    return d[i * (n + 1) - i * (i - 1) // 2 + j]


@njit(cache=True)
def _look_on_grid(
    light: LightFacets, dense: DenseMesh, table: Floats, t: int, n: int, limit: float, found: Floats, worst: _Worst
) -> None:
    """What the points of a grid of n steps on light facet t use, row by row; no further once over the limit."""
    points, corners, labels, near = light
    vertices, faces, neighbours, dense_labels, shares = dense
    distance, used, where = worst
    a, b, c = point_at(points, corners[t, 0]), point_at(points, corners[t, 1]), point_at(points, corners[t, 2])
    at = 0
    begin = near[t]
    for i in range(n + 1):
        g = begin
        for j in range(n + 1 - i):
            r, s = i / n, j / n
            x = (1.0 - r - s) * a[0] + r * b[0] + s * c[0]
            y = (1.0 - r - s) * a[1] + r * b[1] + s * c[1]
            z = (1.0 - r - s) * a[2] + r * b[2] + s * c[2]
            g, d2 = _walk((x, y, z), g, vertices, faces, neighbours)
            d = np.sqrt(d2)
            if labels[t] >= 0 and dense_labels[g] == labels[t]:
                d = min(d, abs(distance_gradient(table[labels[t]], x, y, z)[0]))
            if j == 0:
                begin = g
            distance[t] = max(distance[t], d)
            if shares[g] < 1.0 and _within((x, y, z), vertices, faces, g):
                d /= shares[g]
            if d > used[t]:
                used[t] = d
                where[t, 0], where[t, 1], where[t, 2] = x, y, z
            found[at] = d
            at += 1
        if used[t] > limit:
            break


@njit(cache=True)
def _look_at_facet(light: LightFacets, dense: DenseMesh, table: Floats, t: int, bounds: _Bounds, worst: _Worst) -> int:
    """Look at light facet t as finely as it needs; the steps to begin with."""
    points, faces, used = light.points, light.faces, worst.used
    long2 = 0.0
    for k in range(3):
        p, q = point_at(points, faces[t, k]), point_at(points, faces[t, (k + 1) % 3])
        long2 = max(long2, square_distance(p, q))
    begun = min(max(int(np.ceil(np.sqrt(long2) / bounds.pitch)), _FEWEST), _MOST)
    n = begun
    finer = False
    while True:
        found = np.empty((n + 1) * (n + 2) // 2)
        _look_on_grid(light, dense, table, t, n, bounds.limit, found, worst)
        if used[t] > bounds.limit or 2 * n > _FINEST:
            break
        if (finer or used[t] <= _HIGH * bounds.limit) and not _rises_above(found, n, bounds.most):
            break
        finer = True
        n *= 2
    return begun


@njit(cache=True, parallel=True)
def _farthest(light: LightFacets, dense: DenseMesh, table: Floats, bounds: _Bounds, worst: _Worst, steps: Ints) -> None:
    for t in prange(len(steps)):
        steps[t] = _look_at_facet(light, dense, table, int(np.int32(t)), bounds, worst)
