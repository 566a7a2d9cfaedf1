"""What several kinds share: moments and circles for their starts, axes, charts, lines that meet them."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from pipeline.geometry import Floats
from pipeline.jit import njit
from pipeline.surfaces.kind import StepSurface
from pipeline.surfaces.shape import Shape, basis_of

TINY = 1e-300  # keeps a quotient finite on an axis or a centre, and changes no other one


@njit(cache=True)
def mean_and_spread(points: Floats) -> tuple[Floats, Floats]:
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
def products(rows: Floats) -> Floats:
    """Second moments (3, 3) of rows (n, 3), not centred."""
    out = np.zeros((3, 3))
    for i in range(len(rows)):
        for j in range(3):
            for k in range(3):
                out[j, k] += rows[i, j] * rows[i, k]
    return out / len(rows)


@njit(cache=True)
def solvable(matrix: Floats) -> bool:
    """Whether a symmetric (3, 3) matrix is safely regular."""
    values = np.linalg.eigvalsh(matrix)
    return values[0] > 1e-12 * values[2] and values[2] > 0.0


@njit(cache=True)
def circle_through(a: Floats, b: Floats) -> tuple[float, float, float]:
    """Centre and radius of the algebraic circle through (a, b), each (n,); radius 0 where there is none.

    Least squares on a^2 + b^2 = 2 ca a + 2 cb b + k about the mean (Kasa 1976): a start, not a result.
    """
    n = len(a)
    ma, mb = float(np.mean(a)), float(np.mean(b))
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
    return ma + ca, mb + cb, float(np.sqrt(ca * ca + cb * cb + sq / n))


@njit(cache=True)
def perpendicular_pair(d: Floats) -> tuple[Floats, Floats]:
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
def about_axis(s: Floats, x: float, y: float, z: float) -> tuple[float, float, float, float, float, float]:
    """A point as an axis sees it: height along it, the vector out to the point, that vector's length and its inverse.

    On the axis itself no way out is better than another, and the inverse is 0.
    """
    qx, qy, qz = x - s[0], y - s[1], z - s[2]
    t = qx * s[3] + qy * s[4] + qz * s[5]
    ex, ey, ez = qx - t * s[3], qy - t * s[4], qz - t * s[5]
    rho = np.sqrt(ex * ex + ey * ey + ez * ez)
    inverse = 1.0 / rho if rho > 0.0 else 0.0
    return t, ex, ey, ez, rho, inverse


@njit(cache=True)
def out_from_axis(s: Floats, x: float, y: float, z: float) -> tuple[float, float, float, float, float]:
    """The same with the unit vector out to the point: height, that vector, distance from the axis."""
    px, py, pz = x - s[0], y - s[1], z - s[2]
    t = px * s[3] + py * s[4] + pz * s[5]
    qx, qy, qz = px - t * s[3], py - t * s[4], pz - t * s[5]
    rho = np.sqrt(qx * qx + qy * qy + qz * qz) + TINY
    return t, qx / rho, qy / rho, qz / rho, rho


def view(origin: Floats, direction: Floats) -> tuple[Callable[[Floats], Floats], Callable[[Floats, Floats], Floats]]:
    """Look against `direction` (3,), towards the viewer: points -> plane, and plane and heights -> points."""
    first, second = basis_of(direction)
    if np.dot(np.cross(first, second), direction) < 0.0:
        first, second = second, first
    plane = np.stack([first, second])

    def flatten(points: Floats) -> Floats:
        return (points - origin) @ plane.T

    def lift(places: Floats, heights: Floats) -> Floats:
        return origin + places @ plane + np.asarray(heights)[..., None] * direction

    return flatten, lift


def axes_towards(shape: Shape, near: Floats) -> Floats:
    """(3, 3) rows: from the axis of a shape towards `near`, across both, along the axis."""
    assert shape.direction is not None
    axis = shape.direction
    away = near - shape.point
    away = away - np.dot(away, axis) * axis
    size = np.linalg.norm(away)
    away = basis_of(axis)[0] if size == 0.0 else away / size
    return np.stack([away, np.cross(axis, away), axis])


def circle_round(points: Floats, axis: Floats) -> tuple[Floats, float] | None:
    """Centre (3,) and radius of the circle through points (n, 3) as seen along a unit axis; None where there is none.

    The centre is level with the points' mean.
    """
    u, v = basis_of(axis)
    middle = points.mean(axis=0)
    q = points - middle
    ca, cb, radius = circle_through(q @ u, q @ v)
    return (middle + ca * u + cb * v, radius) if radius > 0 else None


def meet_axial(shape: Shape, feet: Floats, direction: Floats, slope: float) -> list[Floats]:
    """Where lines meet both nappes of what is turned about an axis by a line, its radius growing by `slope` a mm."""
    assert shape.direction is not None
    axis, w = shape.direction, feet - shape.point
    up, rise = w @ axis, float(np.dot(direction, axis))
    here = float(shape.radius or 0.0) + slope * up
    a = 1.0 - rise * rise * (1.0 + slope * slope)
    b = w @ direction - up * rise - slope * rise * here
    return roots(a, b, np.sum(w * w, axis=1) - up * up - here * here)


def roots(a: float, b: Floats, c: Floats) -> list[Floats]:
    """Solutions (n,) each of a x^2 + 2 b x + c = 0, nan where there is none."""
    with np.errstate(invalid="ignore", divide="ignore"):
        if abs(a) < 1e-9:
            return [-0.5 * c / b]
        root = np.sqrt(b * b - a * c)
        return [(-b - root) / a, (-b + root) / a]


def step_surface(entity: str, shape: Shape, *sizes: float | None) -> StepSurface:
    """A shape placed by its point and direction; its reference direction is its orientation, or the basis' first."""
    axis = np.array([0.0, 0.0, 1.0]) if shape.direction is None else shape.direction
    reference = basis_of(axis)[0] if shape.orientation is None else shape.orientation
    return StepSurface(entity, shape.point, axis, reference, tuple(float(size or 0.0) for size in sizes))
