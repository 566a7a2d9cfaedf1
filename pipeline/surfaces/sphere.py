"""The sphere: a centre and a radius."""

from __future__ import annotations

import numpy as np

from pipeline.jit import njit
from pipeline.surfaces.kind import Kind, Look, SituationFeature
from pipeline.surfaces.moments import mean_and_spread, solvable
from pipeline.surfaces.shape import PlaneCurve, Shape, circle_about


@njit(cache=True)
def evaluate(s, x, y, z, row):
    qx, qy, qz = x - s[0], y - s[1], z - s[2]
    rho = np.sqrt(qx * qx + qy * qy + qz * qz)
    inverse = 1.0 / rho if rho > 0.0 else 0.0
    row[0] = -(qx * s[6] + qy * s[7] + qz * s[8]) * inverse
    row[1] = -(qx * s[9] + qy * s[10] + qz * s[11]) * inverse
    row[2] = -(qx * s[3] + qy * s[4] + qz * s[5]) * inverse
    row[3] = -1.0
    return rho - s[12]


@njit(cache=True)
def gradient(s, x, y, z, out):
    qx, qy, qz = x - s[0], y - s[1], z - s[2]
    rho = np.sqrt(qx * qx + qy * qy + qz * qz)
    inverse = 1.0 / rho if rho > 0.0 else 0.0
    out[0], out[1], out[2] = qx * inverse, qy * inverse, qz * inverse
    return rho - s[12]


@njit(cache=True)
def begin(points, normals, s):
    # Least squares on |q|^2 = 2 c.q + k about the mean.
    mean, spread = mean_and_spread(points)
    if not solvable(spread):
        return False
    n = len(points)
    right = np.zeros(3)
    square = 0.0
    for i in range(n):
        q = 0.0
        for j in range(3):
            q += (points[i, j] - mean[j]) ** 2
        square += q
        for j in range(3):
            right[j] += (points[i, j] - mean[j]) * q
    centre = 0.5 * np.linalg.solve(spread, right / n)
    s[0:3] = mean + centre
    s[3:6] = np.array([0.0, 0.0, 1.0])
    s[12] = np.sqrt(square / n + centre[0] ** 2 + centre[1] ** 2 + centre[2] ** 2)
    return True


def section(shape: Shape) -> tuple[PlaneCurve, ...]:
    return circle_about(shape.point[:2], (shape.radius or 0.0) ** 2 - shape.point[2] ** 2)


def size(shape: Shape) -> str:
    return f"D{2 * (shape.radius or 0.0):.3f}"


KIND = Kind(
    name="sphere",
    code=3,
    invariance="spherical",
    situation=SituationFeature.POINT,
    ruled=False,
    parameters=("u", "v", "w", "r"),
    evaluate=evaluate,
    gradient=gradient,
    begin=begin,
    section=section,
    size=size,
    parallel="r",
    one_size=True,
    refit_radius=True,
    seat=True,
    noun="sphere",
    looks={"sphere": Look(0.60, 0.090, 152.0, "grid")},
)
