"""What several kinds share: moments for their starts, axes, charts, lines that meet them."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from pipeline.geometry import Floats, algebraic_circle, basis_of, rejection
from pipeline.jit import njit
from pipeline.surfaces.kind import StepSurface
from pipeline.surfaces.shape import Shape

_ON_AXIS = 1e-9  # mm: what is no farther from an axis lies in no direction from it
TINY = 1e-300  # keeps a quotient finite on an axis or a centre, and changes no other one


@njit(cache=True)
def _moments(rows: Floats, about: Floats) -> Floats:
    """Second moments (3, 3) of rows (n, 3) about a place (3,)."""
    n = len(rows)
    a, b, c = about[0], about[1], about[2]
    xx = yy = zz = xy = yz = zx = 0.0
    for i in range(n):
        x, y, z = rows[i, 0] - a, rows[i, 1] - b, rows[i, 2] - c
        xx += x * x
        yy += y * y
        zz += z * z
        xy += x * y
        yz += y * z
        zx += z * x
    return np.array([[xx / n, xy / n, zx / n], [xy / n, yy / n, yz / n], [zx / n, yz / n, zz / n]])


@njit(cache=True)
def mean_and_spread(points: Floats) -> tuple[Floats, Floats]:
    """Mean (3,) and covariance (3, 3) of points (n, 3)."""
    n = len(points)
    x = y = z = 0.0
    for i in range(n):
        x += points[i, 0]
        y += points[i, 1]
        z += points[i, 2]
    mean = np.array([x / n, y / n, z / n])
    return mean, _moments(points, mean)


@njit(cache=True)
def products(rows: Floats) -> Floats:
    """Second moments (3, 3) of rows (n, 3), not centred."""
    return _moments(rows, np.zeros(3))


@njit(cache=True)
def solvable(matrix: Floats) -> bool:
    """Whether a symmetric (3, 3) matrix is safely regular: positive, and all eigenvalues over 1e-12 of their sum."""
    # Less that share it still is positive definite: Cholesky's pivots, since finding eigenvalues costs five times that.
    least = 1e-12 * (matrix[0, 0] + matrix[1, 1] + matrix[2, 2])
    first = matrix[0, 0] - least
    if not first > 0.0:
        return False
    second = matrix[1, 1] - least - matrix[1, 0] ** 2 / first
    if not second > 0.0:
        return False
    across = matrix[2, 1] - matrix[2, 0] * matrix[1, 0] / first
    return bool(matrix[2, 2] - least - matrix[2, 0] ** 2 / first - across**2 / second > 0.0)


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
    """Look against `direction` (3,), towards the viewer: points -> plane, and plane and heights -> points.

    origin is the plane's origin (3,). Returned are flatten: points (n, 3) -> places (n, 2), and lift: places (n, 2) and
    heights (n,) along `direction` -> points (n, 3); mm. The plane's axes are those of `basis_of`, turned so that what
    runs counter-clockwise for the viewer runs so in the plane.

    >>> flatten, lift = view(np.array([0.0, 0.0, 10.0]), np.array([0.0, 0.0, 1.0]))
    >>> places = flatten(np.array([[3.0, 4.0, 12.0]]))
    >>> float(np.linalg.norm(places)), lift(places, np.array([2.0])).tolist()
    (5.0, [[3.0, 4.0, 12.0]])
    """
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
    away = rejection(near - shape.point, axis)
    size = np.linalg.norm(away)
    away = basis_of(axis)[0] if size < _ON_AXIS else away / size
    return np.stack([away, np.cross(axis, away), axis])


def circle_round(points: Floats, axis: Floats) -> tuple[Floats, float] | None:
    """Centre (3,) and radius of the circle through points (n, 3) as seen along a unit axis; None where there is none.

    The centre is level with the points' mean.
    """
    u, v = basis_of(axis)
    middle = points.mean(axis=0)
    q = points - middle
    ca, cb, radius = algebraic_circle(q @ u, q @ v)
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
