"""The circular cone: an axis pointing the way the radius grows, the radius at a point of it, the half angle."""

from __future__ import annotations

import numpy as np

from pipeline.jit import njit
from pipeline.surfaces.kind import Array, Kind, Look, SituationFeature, circle_round
from pipeline.surfaces.moments import about_axis, mean_and_spread, products, solvable
from pipeline.surfaces.shape import PlaneCurve, Shape, circle_about, square_foot


@njit(cache=True)
def evaluate(s, x, y, z, row):
    t, ex, ey, ez, rho, inverse = about_axis(s, x, y, z)
    qu = ex * s[6] + ey * s[7] + ez * s[8]
    qv = ex * s[9] + ey * s[10] + ez * s[11]
    sine, cosine = s[13], s[14]
    row[0] = -cosine * qu * inverse
    row[1] = -cosine * qv * inverse
    row[2] = -(cosine * t * inverse + sine) * qu
    row[3] = -(cosine * t * inverse + sine) * qv
    row[4] = -cosine
    row[5] = -(rho - s[12]) * sine - t * cosine
    return (rho - s[12]) * cosine - t * sine


@njit(cache=True)
def gradient(s, x, y, z, out):
    t, ex, ey, ez, rho, inverse = about_axis(s, x, y, z)
    scale = s[14] * inverse
    out[0], out[1], out[2] = ex * scale - s[3] * s[13], ey * scale - s[4] * s[13], ez * scale - s[5] * s[13]
    return (rho - s[12]) * s[14] - t * s[13]


@njit(cache=True)
def begin(points, normals, s):
    # Every tangent plane of a cone goes through its apex; the lines from there to the points make one
    # angle with the axis, so that their unit vectors lie on a plane across the axis.
    mean, _ = mean_and_spread(points)
    spread = products(normals)
    if not solvable(spread):
        return False
    n = len(points)
    right = np.zeros(3)
    for i in range(n):
        reach = 0.0
        for j in range(3):
            reach += normals[i, j] * (points[i, j] - mean[j])
        for j in range(3):
            right[j] += normals[i, j] * reach
    apex = mean + np.linalg.solve(spread, right / n)
    rays = np.empty((n, 3))
    for i in range(n):
        length = 0.0
        for j in range(3):
            rays[i, j] = points[i, j] - apex[j]
            length += rays[i, j] ** 2
        length = np.sqrt(length)
        if not length > 0.0:
            return False
        for j in range(3):
            rays[i, j] /= length
    middle, ray_spread = mean_and_spread(rays)
    values, vectors = np.linalg.eigh(ray_spread)
    if not values[1] > 0.0:
        return False
    d = vectors[:, 0].copy()
    cosine = middle[0] * d[0] + middle[1] * d[1] + middle[2] * d[2]
    if cosine < 0.0:
        d, cosine = -d, -cosine
    if not 1e-3 < cosine < 0.9999995:
        return False
    height = 0.0
    for j in range(3):
        height += (mean[j] - apex[j]) * d[j]
    sine = np.sqrt(1.0 - cosine * cosine)
    s[0:3] = apex + height * d
    s[3:6] = d
    s[12] = height * sine / cosine
    s[13] = sine
    s[14] = cosine
    return height > 0.0


def start_along(points: Array, axis: Array) -> Shape | None:
    found = circle_round(points, axis)
    if found is None:
        return None
    centre, radius = found
    t = (points - centre) @ axis
    rho = np.linalg.norm(points - centre - t[:, None] * axis, axis=1)
    slope, at_zero = np.polyfit(t, rho, 1) if np.ptp(t) > 0 else (0.0, radius)
    sign = 1.0 if slope >= 0 else -1.0
    return Shape("cone", centre, sign * axis, float(at_zero), float(np.arctan(abs(slope))) or 1e-3)


def section(shape: Shape) -> tuple[PlaneCurve, ...]:
    foot = square_foot(shape)
    if foot is None:
        return ()
    assert shape.direction is not None
    along = -shape.point[2] / shape.direction[2]
    radius = (shape.radius or 0.0) + along * np.tan(shape.half_angle or 0.0)
    return circle_about(foot, radius * abs(radius))


def size(shape: Shape) -> str:
    return f"{np.degrees(2 * (shape.half_angle or 0.0)):.2f} deg"


KIND = Kind(
    name="cone",
    code=2,
    invariance="revolute",
    situation=SituationFeature.AXIS_POINT,
    ruled=True,
    parameters=("u", "v", "a", "b", "r", "h"),
    evaluate=evaluate,
    gradient=gradient,
    begin=begin,
    start_along=start_along,
    section=section,
    size=size,
    parallel="r",
    one_size=False,
    refit_radius=False,
    seat=True,
    noun="cone",
    looks={"cone": Look(0.70, 0.110, 335.0, "dots")},
)
