"""The circular cylinder: an axis and a radius."""

from __future__ import annotations

import numpy as np

from pipeline.jit import njit
from pipeline.surfaces.kind import Kind
from pipeline.surfaces.moments import about_axis, circle_through, mean_and_spread, perpendicular_pair, products


@njit(cache=True)
def evaluate(s, x, y, z, row):
    t, ex, ey, ez, rho, inverse = about_axis(s, x, y, z)
    eu = (ex * s[6] + ey * s[7] + ez * s[8]) * inverse
    ev = (ex * s[9] + ey * s[10] + ez * s[11]) * inverse
    row[0] = -eu
    row[1] = -ev
    row[2] = -t * eu
    row[3] = -t * ev
    row[4] = -1.0
    return rho - s[12]


@njit(cache=True)
def gradient(s, x, y, z, out):
    _, ex, ey, ez, rho, inverse = about_axis(s, x, y, z)
    out[0], out[1], out[2] = ex * inverse, ey * inverse, ez * inverse
    return rho - s[12]


@njit(cache=True)
def begin(points, normals, s):
    # Normals of a cylinder are perpendicular to its axis: the axis is where they spread least.
    values, vectors = np.linalg.eigh(products(normals))
    if not values[1] > 1e-9:
        return False
    d = vectors[:, 0].copy()
    u, v = perpendicular_pair(d)
    mean, _ = mean_and_spread(points)
    n = len(points)
    a, b = np.empty(n), np.empty(n)
    for i in range(n):
        qx, qy, qz = points[i, 0] - mean[0], points[i, 1] - mean[1], points[i, 2] - mean[2]
        a[i] = qx * u[0] + qy * u[1] + qz * u[2]
        b[i] = qx * v[0] + qy * v[1] + qz * v[2]
    ca, cb, radius = circle_through(a, b)
    if not radius > 0.0:
        return False
    s[0:3] = mean + ca * u + cb * v
    s[3:6] = d
    s[12] = radius
    return True


KIND = Kind(
    name="cylinder",
    code=1,
    invariance="cylindrical",
    situation="axis",
    ruled=True,
    parameters=("u", "v", "a", "b", "r"),
    form="cylindricity",
    evaluate=evaluate,
    gradient=gradient,
    begin=begin,
)
