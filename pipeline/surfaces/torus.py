"""The circular torus: centre, axis, radius of the tube and radius of its centre circle."""

from __future__ import annotations

import numpy as np

from pipeline.jit import njit
from pipeline.surfaces.kind import Array, Kind, Look, SituationFeature, circle_round
from pipeline.surfaces.moments import about_axis, circle_through, mean_and_spread, products, solvable
from pipeline.surfaces.shape import PlaneCurve, Shape, circle_about, square_foot


@njit(cache=True)
def evaluate(s, x, y, z, row):
    t, ex, ey, ez, rho, inverse = about_axis(s, x, y, z)
    qu = ex * s[6] + ey * s[7] + ez * s[8]
    qv = ex * s[9] + ey * s[10] + ez * s[11]
    out = rho - s[15]
    g = np.sqrt(out * out + t * t)
    by_rho, by_t = (out / g, t / g) if g > 0.0 else (0.0, 0.0)
    row[0] = -by_rho * qu * inverse
    row[1] = -by_rho * qv * inverse
    row[2] = -by_t
    row[3] = (by_t - by_rho * t * inverse) * qu
    row[4] = (by_t - by_rho * t * inverse) * qv
    row[5] = -by_rho
    row[6] = -1.0
    return g - s[12]


@njit(cache=True)
def gradient(s, x, y, z, out):
    t, ex, ey, ez, rho, inverse = about_axis(s, x, y, z)
    outward = rho - s[15]
    g = np.sqrt(outward * outward + t * t)
    by_rho, by_t = (outward / g * inverse, t / g) if g > 0.0 else (0.0, 0.0)
    out[0] = by_rho * ex + by_t * s[3]
    out[1] = by_rho * ey + by_t * s[4]
    out[2] = by_rho * ez + by_t * s[5]
    return g - s[12]


@njit(cache=True)
def begin(points, normals, s):
    # All normals of a surface of revolution meet its axis: with d the axis and m its moment,
    # d.(q x n) + m.n = 0 (a linear line complex; Pottmann and Randrup 1998).
    mean, _ = mean_and_spread(points)
    n = len(points)
    turns = np.empty((n, 3))
    cross = np.zeros((3, 3))
    for i in range(n):
        qx, qy, qz = points[i, 0] - mean[0], points[i, 1] - mean[1], points[i, 2] - mean[2]
        turns[i, 0] = qy * normals[i, 2] - qz * normals[i, 1]
        turns[i, 1] = qz * normals[i, 0] - qx * normals[i, 2]
        turns[i, 2] = qx * normals[i, 1] - qy * normals[i, 0]
        for j in range(3):
            for k in range(3):
                cross[j, k] += turns[i, j] * normals[i, k]
    cross /= n
    spread = products(normals)
    if not solvable(spread):
        return False
    to_moment = -np.linalg.solve(spread, np.ascontiguousarray(cross.T))
    reduced = products(turns) + cross @ to_moment
    _, vectors = np.linalg.eigh(0.5 * (reduced + reduced.T))
    d = np.ascontiguousarray(vectors[:, 0])
    m = to_moment @ d
    m = m - d * (m[0] * d[0] + m[1] * d[1] + m[2] * d[2])
    foot = np.array([d[1] * m[2] - d[2] * m[1], d[2] * m[0] - d[0] * m[2], d[0] * m[1] - d[1] * m[0]])
    rho, height = np.empty(n), np.empty(n)
    for i in range(n):
        qx = points[i, 0] - mean[0] - foot[0]
        qy = points[i, 1] - mean[1] - foot[1]
        qz = points[i, 2] - mean[2] - foot[2]
        t = qx * d[0] + qy * d[1] + qz * d[2]
        height[i] = t
        rho[i] = np.sqrt(max(qx * qx + qy * qy + qz * qz - t * t, 0.0))
    major, along, minor = circle_through(rho, height)
    if not (minor > 0.0 and major > 0.0):
        return False
    s[0:3] = mean + foot + along * d
    s[3:6] = d
    s[12] = minor
    s[15] = major
    return True


def start_along(points: Array, axis: Array) -> Shape | None:
    found = circle_round(points, axis)
    if found is None:
        return None
    centre, _ = found
    t = (points - centre) @ axis
    rho = np.linalg.norm(points - centre - t[:, None] * axis, axis=1)
    major, along, minor = circle_through(rho, t)
    if not minor > 0:
        return None
    return Shape("torus", centre + along * axis, axis, float(minor), major_radius=float(major))


def section(shape: Shape) -> tuple[PlaneCurve, ...]:
    foot = square_foot(shape)
    half = (shape.radius or 0.0) ** 2 - shape.point[2] ** 2
    if foot is None or half <= 0:
        return ()
    wide = [(shape.major_radius or 0.0) + s * np.sqrt(half) for s in (1.0, -1.0)]
    return tuple(c for r in wide for c in circle_about(foot, r * abs(r)))


def size(shape: Shape) -> str:
    return f"D{2 * (shape.major_radius or 0.0):.3f} R{shape.radius:.3f}"


KIND = Kind(
    name="torus",
    code=4,
    invariance="revolute",
    situation=SituationFeature.AXIS_POINT,
    ruled=False,
    parameters=("u", "v", "w", "a", "b", "R", "r"),
    evaluate=evaluate,
    gradient=gradient,
    begin=begin,
    start_along=start_along,
    section=section,
    size=size,
    parallel="r",
    one_size=False,
    refit_radius=True,
    seat=False,
    noun="ring",
    looks={"torus": Look(0.58, 0.115, 28.0, "level")},
)
