"""Points on facets: the nearest one to a point, and points spread over facets evenly or on a grid."""

from __future__ import annotations

import numpy as np

from pipeline.geometry import Floats, Ints, Longs, Point
from pipeline.jit import njit, prange
from pipeline.mesh.topology import facet_areas


@njit(cache=True, inline="always")
def _dot(a0: float, a1: float, a2: float, b0: float, b1: float, b2: float) -> float:
    return a0 * b0 + a1 * b1 + a2 * b2


@njit(cache=True)
def nearest_on_facet(p: Point, a: Point, b: Point, c: Point) -> Point:
    """The point of triangle abc that is nearest to p, mm, by the Voronoi regions of its corners and edges.

    Method: Ericson, "Real-Time Collision Detection" (2005), 5.1.5, and a facet without area has a nearest point too.
    Can be called from compiled code.

    >>> nearest_on_facet((0.25, 0.25, 2.0), (0.0, 0.0, 0.0), (1.0, 0.0, 0.0), (0.0, 1.0, 0.0))
    (0.25, 0.25, 0.0)
    >>> nearest_on_facet((1.0, 1.0, 0.0), (0.0, 0.0, 0.0), (1.0, 0.0, 0.0), (0.0, 1.0, 0.0))
    (0.5, 0.5, 0.0)
    """
    px, py, pz = p
    ax, ay, az = a
    bx, by, bz = b
    cx, cy, cz = c
    e0, e1, e2 = bx - ax, by - ay, bz - az
    f0, f1, f2 = cx - ax, cy - ay, cz - az
    d0, d1, d2 = px - ax, py - ay, pz - az
    e_d, f_d = _dot(e0, e1, e2, d0, d1, d2), _dot(f0, f1, f2, d0, d1, d2)
    if e_d <= 0.0 and f_d <= 0.0:
        return ax, ay, az
    d0, d1, d2 = px - bx, py - by, pz - bz
    e_b, f_b = _dot(e0, e1, e2, d0, d1, d2), _dot(f0, f1, f2, d0, d1, d2)
    if e_b >= 0.0 and f_b <= e_b:
        return bx, by, bz
    w_c = e_d * f_b - e_b * f_d
    if w_c <= 0.0 and e_d >= 0.0 and e_b <= 0.0:
        t = e_d / (e_d - e_b) if e_d != e_b else 0.0
        return ax + t * e0, ay + t * e1, az + t * e2
    d0, d1, d2 = px - cx, py - cy, pz - cz
    e_c, f_c = _dot(e0, e1, e2, d0, d1, d2), _dot(f0, f1, f2, d0, d1, d2)
    if f_c >= 0.0 and e_c <= f_c:
        return cx, cy, cz
    w_b = e_c * f_d - e_d * f_c
    if w_b <= 0.0 and f_d >= 0.0 and f_c <= 0.0:
        t = f_d / (f_d - f_c) if f_d != f_c else 0.0
        return ax + t * f0, ay + t * f1, az + t * f2
    w_a = e_b * f_c - e_c * f_b
    if w_a <= 0.0 and f_b - e_b >= 0.0 and e_c - f_c >= 0.0:
        low, high = f_b - e_b, e_c - f_c
        t = low / (low + high) if low + high > 0.0 else 0.0
        return bx + t * (cx - bx), by + t * (cy - by), bz + t * (cz - bz)
    whole = w_a + w_b + w_c
    s, t = w_b / whole, w_c / whole
    return ax + s * e0 + t * f0, ay + s * e1 + t * f1, az + s * e2 + t * f2


@njit(cache=True, inline="always")
def point_at(points: Floats, i: int) -> Point:
    """Row i of points (n, 3) as three numbers; written out by the compiler where compiled code calls it.

    >>> point_at.py_func(np.array([[1.0, 2.0, 3.0]]), 0) == (1.0, 2.0, 3.0)
    True
    """
    return points[i, 0], points[i, 1], points[i, 2]


@njit(cache=True, borrowing=True)
def nearest_on(p: Point, vertices: Floats, faces: Ints, f: int) -> Point:
    """The point, mm, of facet f of a mesh, vertices (n, 3) mm and faces (m, 3), that is nearest to p.

    Can be called from compiled code.

    >>> vertices = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    >>> nearest_on((2.0, -1.0, 0.0), vertices, np.array([[0, 1, 2]], np.int32), np.int32(0))
    (1.0, 0.0, 0.0)
    """
    return nearest_on_facet(
        p, point_at(vertices, faces[f, 0]), point_at(vertices, faces[f, 1]), point_at(vertices, faces[f, 2])
    )


@njit(cache=True, inline="always")
def square_distance(p: Point, q: Point) -> float:
    """Squared distance of two points, mm2; written out by the compiler where compiled code calls it.

    >>> square_distance.py_func((0.0, 0.0, 0.0), (1.0, 2.0, 2.0))
    9.0
    """
    return (p[0] - q[0]) ** 2 + (p[1] - q[1]) ** 2 + (p[2] - q[2]) ** 2


@njit(cache=True, parallel=True)
def nearest_on_facets(points: Floats, vertices: Floats, faces: Ints, facet: Ints) -> Floats:
    """Nearest point (n, 3) mm to points (n, 3) mm, each on its own facet (n,) of the mesh.

    vertices, faces  (k, 3) mm and (m, 3)

    >>> vertices = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [1.0, 1.0, 0.0], [0.0, 1.0, 0.0]])
    >>> faces = np.array([[0, 1, 2], [0, 2, 3]], np.int32)
    >>> points = np.array([[0.75, 0.25, 3.0], [0.75, 0.25, 3.0]])
    >>> nearest_on_facets(points, vertices, faces, np.array([0, 1], np.int32)).tolist()
    [[0.75, 0.25, 0.0], [0.5, 0.5, 0.0]]
    """
    out = np.empty((len(points), 3))
    for i in prange(len(points)):
        out[i, 0], out[i, 1], out[i, 2] = nearest_on(point_at(points, i), vertices, faces, facet[i])
    return out


def spread_points(vertices: Floats, faces: Ints, count: int, seed: int = 0) -> tuple[Floats, Ints]:
    """About `count` points evenly over the area: (k, 3) mm and the facet (k,) of each; same mesh, same points.

    vertices, faces  (n, 3) mm and (m, 3); without area no point is made

    Systematic sampling of the running sum of areas, so that a facet twice as large gets twice as many; within a facet
    the unit square folded along its diagonal (Turk, "Generating random points in triangles", 1990).

    >>> vertices = np.array([[0.0, 0.0, 0.0], [2.0, 0.0, 0.0], [0.0, 2.0, 0.0], [-1.0, 0.0, 0.0]])
    >>> points, facet = spread_points(vertices, np.array([[0, 1, 2], [0, 2, 3]], np.int32), 300)
    >>> np.bincount(facet).tolist(), bool((points[:, 1] >= 0).all()), np.ptp(points[:, 2]).item()
    ([200, 100], True, 0.0)
    """
    total = np.cumsum(facet_areas(vertices, np.ascontiguousarray(faces, dtype=np.int32)))
    if not len(total) or total[-1] <= 0:
        return np.empty((0, 3)), np.empty(0, dtype=np.int32)
    random = np.random.default_rng(seed)
    at = (np.arange(count) + random.random()) * (total[-1] / count)
    facet = np.searchsorted(total, at).clip(max=len(faces) - 1).astype(np.int32)
    s, t = random.random(count), random.random(count)
    over = s + t > 1
    s[over], t[over] = 1 - s[over], 1 - t[over]
    a, b, c = (vertices[faces[facet, k]] for k in range(3))
    return a + s[:, None] * (b - a) + t[:, None] * (c - a), facet


def grid_points(vertices: Floats, faces: Ints, steps: Ints) -> tuple[Floats, Ints]:
    """Points on a grid over each facet, corners, edges and inside: (k, 3) mm and the facet (k,) of each.

    vertices, faces  (n, 3) mm and (m, 3)
    steps            (m,) along the sides of each facet, 1 at least

    >>> vertices = np.array([[0.0, 0.0, 0.0], [2.0, 0.0, 0.0], [0.0, 2.0, 0.0]])
    >>> points, facet = grid_points(vertices, np.array([[0, 1, 2]], np.int32), np.array([2]))
    >>> points[:, :2].tolist()
    [[0.0, 2.0], [1.0, 1.0], [2.0, 0.0], [0.0, 1.0], [1.0, 0.0], [0.0, 0.0]]
    """
    along = steps.astype(np.int64)
    return _grid(vertices, faces, along, np.cumsum((along + 1) * (along + 2) // 2))


@njit(cache=True, parallel=True)
def _grid(vertices: Floats, faces: Ints, steps: Longs, ends: Longs) -> tuple[Floats, Ints]:
    points = np.empty((ends[-1] if len(ends) else 0, 3))
    facet = np.empty(len(points), dtype=np.int32)
    for f in prange(len(faces)):
        at = ends[f - 1] if f > 0 else 0
        n = steps[f]
        for i in range(n + 1):
            for j in range(n + 1 - i):
                for d in range(3):
                    points[at, d] = (
                        i * vertices[faces[f, 0], d]
                        + j * vertices[faces[f, 1], d]
                        + (n - i - j) * vertices[faces[f, 2], d]
                    ) / n
                facet[at] = f
                at += 1
    return points, facet
