"""Plane, cylinder, cone, sphere and torus as rows of numbers that a compiled kernel can work with.

A row (10 float64): kind, point x y z, unit direction x y z, radius, half angle (rad), major radius.
What a row means is the same as for a feature: a cone's radius is the one at its point and grows along
its direction; a torus' radius is that of the tube.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.jit import njit

PLANE, CYLINDER, CONE, SPHERE, TORUS = range(5)
CODES = {"plane": PLANE, "cylinder": CYLINDER, "cone": CONE, "sphere": SPHERE, "torus": TORUS}
ROW = 10


@njit(cache=True)
def distance_gradient(row: NDArray, x: float, y: float, z: float) -> tuple[float, float, float, float]:
    """Signed orthogonal distance of a point and its gradient; positive away from the axis or along the normal."""
    kind = int(row[0])
    px, py, pz = x - row[1], y - row[2], z - row[3]
    if kind == SPHERE:
        length = np.sqrt(px * px + py * py + pz * pz) + 1e-300
        return length - row[7], px / length, py / length, pz / length
    ax, ay, az = row[4], row[5], row[6]
    t = px * ax + py * ay + pz * az
    if kind == PLANE:
        return t, ax, ay, az
    qx, qy, qz = px - t * ax, py - t * ay, pz - t * az
    rho = np.sqrt(qx * qx + qy * qy + qz * qz) + 1e-300
    ex, ey, ez = qx / rho, qy / rho, qz / rho
    if kind == CYLINDER:
        return rho - row[7], ex, ey, ez
    if kind == CONE:
        c, s = np.cos(row[8]), np.sin(row[8])
        return (rho - row[7]) * c - t * s, ex * c - ax * s, ey * c - ay * s, ez * c - az * s
    side = rho - row[9]
    tube = np.sqrt(side * side + t * t) + 1e-300
    return tube - row[7], (side * ex + t * ax) / tube, (side * ey + t * ay) / tube, (side * ez + t * az) / tube


@njit(cache=True)
def move_onto(table: NDArray, a: int, b: int, c: int, point: NDArray) -> bool:
    """Move `point` (3,) onto surface `a`, or onto what `a`, `b` (and `c`) have in common; -1 means none.

    One surface is met exactly; two and three by Newton steps of least length. False, with the point
    where it was, where the surfaces run too nearly along each other or do not meet near the point.
    """
    if a < 0:
        return True
    x, y, z = point[0], point[1], point[2]
    d1, g1, g2, g3 = distance_gradient(table[a], x, y, z)
    if b < 0:
        # Once is exact for all five; the second step takes away the rounding of the first.
        for _ in range(2):
            d1, g1, g2, g3 = distance_gradient(table[a], x, y, z)
            x, y, z = x - d1 * g1, y - d1 * g2, z - d1 * g3
        point[0], point[1], point[2] = x, y, z
        return True
    for _ in range(12):
        d1, g1, g2, g3 = distance_gradient(table[a], x, y, z)
        d2, h1, h2, h3 = distance_gradient(table[b], x, y, z)
        gh = g1 * h1 + g2 * h2 + g3 * h3
        if c < 0:
            det = 1.0 - gh * gh
            if det < 0.03:
                return False
            s = (d1 - gh * d2) / det
            t = (d2 - gh * d1) / det
            sx, sy, sz = s * g1 + t * h1, s * g2 + t * h2, s * g3 + t * h3
            worst = max(abs(d1), abs(d2))
        else:
            d3, k1, k2, k3 = distance_gradient(table[c], x, y, z)
            mx, my, mz = h2 * k3 - h3 * k2, h3 * k1 - h1 * k3, h1 * k2 - h2 * k1
            det = g1 * mx + g2 * my + g3 * mz
            if abs(det) < 0.1:
                return False
            sx = (d1 * mx + d2 * (k2 * g3 - k3 * g2) + d3 * (g2 * h3 - g3 * h2)) / det
            sy = (d1 * my + d2 * (k3 * g1 - k1 * g3) + d3 * (g3 * h1 - g1 * h3)) / det
            sz = (d1 * mz + d2 * (k1 * g2 - k2 * g1) + d3 * (g1 * h2 - g2 * h1)) / det
            worst = max(abs(d1), abs(d2), abs(d3))
        x, y, z = x - sx, y - sy, z - sz
        if worst < 1e-9:
            point[0], point[1], point[2] = x, y, z
            return True
    return False


@njit(cache=True)
def row_distances(row: NDArray, points: NDArray) -> NDArray:
    """Signed distance (n,) of points (n, 3) to one surface."""
    out = np.empty(len(points))
    for i in range(len(points)):
        out[i] = distance_gradient(row, points[i, 0], points[i, 1], points[i, 2])[0]
    return out
