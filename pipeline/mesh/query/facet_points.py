"""Points on facets, and what can be wrong with a triangle mesh's facets."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.jit import njit, prange


@njit(cache=True, inline="always")
def _dot(a0: float, a1: float, a2: float, b0: float, b1: float, b2: float) -> float:
    return a0 * b0 + a1 * b1 + a2 * b2


@njit(cache=True)
def nearest_on_facet(
    px: float, py: float, pz: float,
    ax: float, ay: float, az: float,
    bx: float, by: float, bz: float,
    cx: float, cy: float, cz: float,
) -> tuple[float, float, float]:  # fmt: skip
    """The point of triangle abc that is nearest to p, by the Voronoi regions of its corners and edges."""
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


@njit(cache=True, parallel=True)
def nearest_on_facets(points: NDArray, vertices: NDArray, faces: NDArray, facet: NDArray) -> NDArray:
    """Nearest point (n, 3) to points (n, 3), each on its own facet (n,) of the mesh."""
    out = np.empty((len(points), 3))
    for i in prange(len(points)):
        a, b, c = vertices[faces[facet[i], 0]], vertices[faces[facet[i], 1]], vertices[faces[facet[i], 2]]
        out[i, 0], out[i, 1], out[i, 2] = nearest_on_facet(
            points[i, 0], points[i, 1], points[i, 2], a[0], a[1], a[2], b[0], b[1], b[2], c[0], c[1], c[2]
        )
    return out


def spread_points(
    vertices: NDArray, faces: NDArray, count: int, seed: int = 0
) -> tuple[NDArray[np.float64], NDArray[np.int32]]:
    """About `count` points evenly over the area: (k, 3) mm and the facet of each; same mesh, same points.

    Systematic sampling of the running sum of areas, so that a facet twice as large gets twice as many.
    """
    corners = vertices[faces]
    area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1) / 2
    total = np.cumsum(area)
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


def grid_points(vertices: NDArray, faces: NDArray, steps: NDArray) -> tuple[NDArray[np.float64], NDArray[np.int32]]:
    """Points on a grid over each facet, corners, edges and inside: (k, 3) mm and the facet of each.

    steps  (m,) along the sides of each facet
    """
    steps = steps.astype(np.int64)
    return _grid(vertices, faces, steps, np.cumsum((steps + 1) * (steps + 2) // 2))


@njit(cache=True, parallel=True)
def _grid(vertices: NDArray, faces: NDArray, steps: NDArray, ends: NDArray) -> tuple[NDArray, NDArray]:
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


def thin_facets(vertices: NDArray, faces: NDArray, ratio: float = 1e-4) -> NDArray[np.bool_]:
    """Facets (m,) whose height on the longest side is less than `ratio` of that side."""
    corners = vertices[faces]
    sides = corners - np.roll(corners, -1, axis=1)
    longest = (sides**2).sum(axis=2).max(axis=1)
    double_area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    return double_area <= ratio * longest
