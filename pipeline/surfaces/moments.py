"""Small compiled building blocks of the kinds' closed-form starts."""

from __future__ import annotations

import numpy as np

from pipeline.jit import njit


@njit(cache=True)
def mean_and_spread(points):
    """Mean (3,) and covariance (3, 3) of points (n, 3)."""
    n = len(points)
    mean = np.zeros(3)
    for i in range(n):
        for j in range(3):
            mean[j] += points[i, j]
    mean /= n
    spread = np.zeros((3, 3))
    for i in range(n):
        for j in range(3):
            for k in range(3):
                spread[j, k] += (points[i, j] - mean[j]) * (points[i, k] - mean[k])
    return mean, spread / n


@njit(cache=True)
def products(rows):
    """Second moments (3, 3) of rows (n, 3), not centred."""
    out = np.zeros((3, 3))
    for i in range(len(rows)):
        for j in range(3):
            for k in range(3):
                out[j, k] += rows[i, j] * rows[i, k]
    return out / len(rows)


@njit(cache=True)
def solvable(matrix):
    """Whether a symmetric (3, 3) matrix is safely regular."""
    values = np.linalg.eigvalsh(matrix)
    return values[0] > 1e-12 * values[2] and values[2] > 0.0


@njit(cache=True)
def circle_through(a, b):
    """Centre and radius of the algebraic circle through (a, b), each (n,); radius 0 where there is none.

    Least squares on a^2 + b^2 = 2 ca a + 2 cb b + k about the mean (Kasa 1976): a start, not a result.
    """
    n = len(a)
    ma, mb = np.mean(a), np.mean(b)
    saa = sab = sbb = saq = sbq = sq = 0.0
    for i in range(n):
        x, y = a[i] - ma, b[i] - mb
        q = x * x + y * y
        saa += x * x
        sab += x * y
        sbb += y * y
        saq += x * q
        sbq += y * q
        sq += q
    det = saa * sbb - sab * sab
    if not det > 1e-14 * (saa + sbb) ** 2:
        return 0.0, 0.0, 0.0
    ca = 0.5 * (saq * sbb - sbq * sab) / det
    cb = 0.5 * (sbq * saa - saq * sab) / det
    return ma + ca, mb + cb, np.sqrt(ca * ca + cb * cb + sq / n)


@njit(cache=True)
def perpendicular_pair(d):
    """Two unit vectors perpendicular to the unit vector d and to each other."""
    k = 0
    for j in range(1, 3):
        if abs(d[j]) < abs(d[k]):
            k = j
    other = np.zeros(3)
    other[k] = 1.0
    u = other - d * d[k]
    u /= np.sqrt(u[0] ** 2 + u[1] ** 2 + u[2] ** 2)
    v = np.array([d[1] * u[2] - d[2] * u[1], d[2] * u[0] - d[0] * u[2], d[0] * u[1] - d[1] * u[0]])
    return u, v


@njit(cache=True)
def about_axis(s, x, y, z):
    """A point as an axis sees it: height along it, the vector out to the point, that vector's length and its inverse.

    On the axis itself no way out is better than another, and the inverse is 0.
    """
    qx, qy, qz = x - s[0], y - s[1], z - s[2]
    t = qx * s[3] + qy * s[4] + qz * s[5]
    ex, ey, ez = qx - t * s[3], qy - t * s[4], qz - t * s[5]
    rho = np.sqrt(ex * ex + ey * ey + ez * ez)
    inverse = 1.0 / rho if rho > 0.0 else 0.0
    return t, ex, ey, ez, rho, inverse
