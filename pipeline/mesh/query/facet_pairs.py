"""Least distance of two facets, exactly: where on both, and nought where they cross.

Both functions are called from compiled code. Edges against edges and corners against facets are all that can be
nearest where nothing crosses; whether something does is asked only where no plane of the two parts them.
"""

from __future__ import annotations

import numpy as np

from pipeline.geometry import Floats, Point
from pipeline.jit import njit
from pipeline.mesh.query.facet_points import nearest_on_facet, point_at, square_distance
from pipeline.mesh.query.facet_tree import cross_of, dot_of


@njit(cache=True, inline="always")
def _less(p: Point, q: Point) -> Point:
    return p[0] - q[0], p[1] - q[1], p[2] - q[2]


@njit(cache=True, inline="always")
def _along(p: Point, q: Point, t: float) -> Point:
    return p[0] + t * (q[0] - p[0]), p[1] + t * (q[1] - p[1]), p[2] + t * (q[2] - p[2])


@njit(cache=True)
def parting(one: Floats, other: Floats) -> float:
    """How far apart two facets, corners (3, 3) mm each, are at least by the planes that each lies in; mm, 0 where
    neither plane parts them.

    >>> flat = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    >>> parting(flat, flat + [0.0, 0.0, 2.0]), parting(flat, flat + [5.0, 0.0, 0.0])
    (2.0, 0.0)
    """
    return max(_off_plane(one, other), _off_plane(other, one))


@njit(cache=True)
def _off_plane(facet: Floats, other: Floats) -> float:
    a = point_at(facet, 0)
    n = cross_of(_less(point_at(facet, 1), a), _less(point_at(facet, 2), a))
    size = np.sqrt(dot_of(n, n))
    if size == 0.0:
        return 0.0
    p = dot_of(n, _less(point_at(other, 0), a))
    q = dot_of(n, _less(point_at(other, 1), a))
    r = dot_of(n, _less(point_at(other, 2), a))
    if p > 0.0 and q > 0.0 and r > 0.0:
        return min(p, q, r) / size
    if p < 0.0 and q < 0.0 and r < 0.0:
        return -max(p, q, r) / size
    return 0.0


@njit(cache=True)
def nearest_of_pair(one: Floats, other: Floats) -> tuple[float, Point, Point]:
    """Squared least distance, mm2, of two facets with corners (3, 3) mm each, and the places on both.

    Where they cross it is nought, and both places are one that they share.

    Method: the nearest of the fifteen pairs of corner and facet or edge and edge (Ericson, "Real-Time Collision
    Detection" (2005), 5.1.9 and 5.1.10).

    >>> flat = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    >>> upright = np.array([[0.25, 0.25, 0.5], [0.25, 0.25, 2.0], [0.5, 0.25, 2.0]])
    >>> nearest_of_pair(flat, upright)
    (0.25, (0.25, 0.25, 0.0), (0.25, 0.25, 0.5))
    >>> nearest_of_pair(flat, upright - [0.0, 0.0, 1.0])[0]
    0.0
    """
    if parting(one, other) == 0.0:
        for k in range(3):
            crosses, at = _pierced(point_at(one, k), point_at(one, (k + 1) % 3), other)
            if crosses:
                return 0.0, at, at
            crosses, at = _pierced(point_at(other, k), point_at(other, (k + 1) % 3), one)
            if crosses:
                return 0.0, at, at
    best = np.inf
    on_one = on_other = point_at(one, 0)
    a, b, c = point_at(one, 0), point_at(one, 1), point_at(one, 2)
    u, v, w = point_at(other, 0), point_at(other, 1), point_at(other, 2)
    for k in range(3):
        p = point_at(other, k)
        q = nearest_on_facet(p, a, b, c)
        far = square_distance(p, q)
        if far < best:
            best, on_one, on_other = far, q, p
        p = point_at(one, k)
        q = nearest_on_facet(p, u, v, w)
        far = square_distance(p, q)
        if far < best:
            best, on_one, on_other = far, p, q
    for i in range(3):
        for k in range(3):
            p, q = _of_edges(
                point_at(one, i), point_at(one, (i + 1) % 3), point_at(other, k), point_at(other, (k + 1) % 3)
            )
            far = square_distance(p, q)
            if far < best:
                best, on_one, on_other = far, p, q
    return best, on_one, on_other


@njit(cache=True)
def _of_edges(p: Point, q: Point, u: Point, v: Point) -> tuple[Point, Point]:
    """Nearest points of the edges pq and uv."""
    d, e, r = _less(q, p), _less(v, u), _less(p, u)
    dd, ee, er = dot_of(d, d), dot_of(e, e), dot_of(e, r)
    if dd == 0.0 and ee == 0.0:
        return p, u
    if dd == 0.0:
        return p, _along(u, v, min(max(er / ee, 0.0), 1.0))
    dr = dot_of(d, r)
    if ee == 0.0:
        return _along(p, q, min(max(-dr / dd, 0.0), 1.0)), u
    de = dot_of(d, e)
    across = dd * ee - de * de
    s = min(max((de * er - dr * ee) / across, 0.0), 1.0) if across > 0.0 else 0.0
    t = (de * s + er) / ee
    if t < 0.0:
        t, s = 0.0, min(max(-dr / dd, 0.0), 1.0)
    elif t > 1.0:
        t, s = 1.0, min(max((de - dr) / dd, 0.0), 1.0)
    return _along(p, q, s), _along(u, v, t)


@njit(cache=True)
def _pierced(p: Point, q: Point, facet: Floats) -> tuple[bool, Point]:
    """Whether edge pq passes through a facet, and where."""
    a, b, c = point_at(facet, 0), point_at(facet, 1), point_at(facet, 2)
    n = cross_of(_less(b, a), _less(c, a))
    hp, hq = dot_of(n, _less(p, a)), dot_of(n, _less(q, a))
    if hp * hq >= 0.0:
        return False, p
    at = _along(p, q, hp / (hp - hq))
    d = _less(q, p)
    i = dot_of(d, cross_of(_less(a, p), _less(b, p)))
    j = dot_of(d, cross_of(_less(b, p), _less(c, p)))
    k = dot_of(d, cross_of(_less(c, p), _less(a, p)))
    within = (i >= 0.0 and j >= 0.0 and k >= 0.0) or (i <= 0.0 and j <= 0.0 and k <= 0.0)
    return within, at
