"""The circular torus: centre, axis, radius of the tube and radius of its centre circle."""

from __future__ import annotations

import numpy as np

from pipeline.geometry import Floats, algebraic_circle, eliminate, perpendicular_pair
from pipeline.jit import njit
from pipeline.surfaces.blocks import (
    TINY,
    about_axis,
    axes_towards,
    circle_round,
    mean_and_spread,
    out_from_axis,
    products,
    solvable,
    step_surface,
)
from pipeline.surfaces.kind import Chart, Kind, Look, SituationFeature, StepSurface
from pipeline.surfaces.shape import PlaneCurve, Shape, circle_about, square_foot


@njit(cache=True)
def evaluate(s: Floats, x: float, y: float, z: float, row: Floats) -> float:
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
def gradient(s: Floats, x: float, y: float, z: float) -> tuple[float, float, float, float]:
    t, ex, ey, ez, rho = out_from_axis(s, x, y, z)
    side = rho - s[15]
    tube = np.sqrt(side * side + t * t) + TINY
    return (
        tube - s[12],
        (side * ex + t * s[3]) / tube,
        (side * ey + t * s[4]) / tube,
        (side * ez + t * s[5]) / tube,
    )


@njit(cache=True)
def begin(points: Floats, normals: Floats, s: Floats) -> bool:
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
    major, along, minor = algebraic_circle(rho, height)
    if not (minor > 0.0 and major > 0.0):
        return False
    s[0:3] = mean + foot + along * d
    s[3:6] = d
    s[12] = minor
    s[15] = major
    return True


@njit(cache=True)
def sane(s: Floats, size: float) -> bool:
    return 0.0 < s[12] < 200.0 * size and s[15] > 1.05 * s[12] and s[15] < 200.0 * size


@njit(cache=True)
def turned(tube: Floats, points: Floats, s: Floats) -> bool:
    """From a stretch of it that passes for a cylinder, `tube`: the torus it bends to; False where it is straight.

    Along a tube whose middle line is a circle of radius R the middle moves off its tangent by t^2 / 2R at the height
    t, so that distances from the tangent's cylinder go with t^2 across the axis: linear least squares on that,
    beside small shifts and turns of the cylinder. The closed form of the torus needs more of its circle than that.
    """
    matrix, right = np.zeros((7, 7)), np.zeros(7)
    row = np.empty(7)
    scale = 0.0
    for i in range(len(points)):
        t, _, _, _, _, _ = about_axis(tube, points[i, 0], points[i, 1], points[i, 2])
        scale = max(scale, abs(t))
    if not scale > 0.0:
        return False
    for i in range(len(points)):
        t, ex, ey, ez, rho, inverse = about_axis(tube, points[i, 0], points[i, 1], points[i, 2])
        t /= scale
        eu = (ex * tube[6] + ey * tube[7] + ez * tube[8]) * inverse
        ev = (ex * tube[9] + ey * tube[10] + ez * tube[11]) * inverse
        row[0], row[1], row[2], row[3], row[4] = eu, ev, t * eu, t * ev, 1.0
        row[5], row[6] = t * t * eu, t * t * ev
        for j in range(7):
            right[j] += row[j] * (rho - tube[12])
            for k in range(7):
                matrix[j, k] += row[j] * row[k]
    if not eliminate(matrix, right):
        return False
    curl = 2.0 * np.hypot(right[5], right[6]) / (scale * scale)
    if not 0.0 < curl < 1.0 / tube[12]:
        return False
    u, v, d = tube[6:9].copy(), tube[9:12].copy(), tube[3:6].copy()
    # The middle line at height 0 and its tangent there.
    middle = tube[0:3] + right[0] * u + right[1] * v
    d = d + (right[2] * u + right[3] * v) / scale
    d /= np.sqrt(d[0] ** 2 + d[1] ** 2 + d[2] ** 2)
    inward = right[5] * u + right[6] * v
    inward -= d * (inward[0] * d[0] + inward[1] * d[1] + inward[2] * d[2])
    inward /= np.sqrt(inward[0] ** 2 + inward[1] ** 2 + inward[2] ** 2)
    s[0:3] = middle + inward / curl
    s[3] = d[1] * inward[2] - d[2] * inward[1]
    s[4] = d[2] * inward[0] - d[0] * inward[2]
    s[5] = d[0] * inward[1] - d[1] * inward[0]
    s[6:9], s[9:12] = perpendicular_pair(s[3:6].copy())
    s[12] = tube[12] + right[4]
    s[15] = 1.0 / curl
    return True


def chart(shape: Shape, near: Floats) -> Chart:
    axes = axes_towards(shape, near)
    large, small = float(shape.major_radius or 0.0), float(shape.radius or 0.0)
    here = axes @ (near - shape.point)
    there = np.arctan2(here[2], np.hypot(here[0], here[1]) - large)
    reach = max(large + small * np.cos(there), 0.1 * large)

    def flatten(points: Floats) -> Floats:
        local = (points - shape.point) @ axes.T
        tube = np.arctan2(local[:, 2], np.hypot(local[:, 0], local[:, 1]) - large) - there
        tube = (tube + np.pi) % (2.0 * np.pi) - np.pi
        return np.stack([reach * np.arctan2(local[:, 1], local[:, 0]), small * tube], axis=1)

    def lift(places: Floats) -> Floats:
        turn, tube = places[:, 0] / reach, places[:, 1] / small + there
        across = large + small * np.cos(tube)
        local = np.stack([across * np.cos(turn), across * np.sin(turn), small * np.sin(tube)], axis=1)
        return shape.point + local @ axes

    return Chart(flatten, lift)


def step(shape: Shape, near: Floats) -> StepSurface:
    return step_surface("TOROIDAL_SURFACE", shape, shape.major_radius, shape.radius)


def from_step(surface: StepSurface) -> Shape | None:
    if surface.entity != "TOROIDAL_SURFACE":
        return None
    major, minor = surface.sizes
    return Shape("torus", surface.location, surface.axis, minor, major_radius=major)


def start_along(points: Floats, axis: Floats) -> Shape | None:
    found = circle_round(points, axis)
    if found is None:
        return None
    centre, _ = found
    t = (points - centre) @ axis
    rho = np.linalg.norm(points - centre - t[:, None] * axis, axis=1)
    major, along, minor = algebraic_circle(rho, t)
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
    invariance="revolute",
    situation=SituationFeature.AXIS_POINT,
    ruled=False,
    parameters=("u", "v", "w", "a", "b", "R", "r"),
    evaluate=evaluate,
    gradient=gradient,
    begin=begin,
    sane=sane,
    relatives=("cylinder", "cone"),
    turned=turned,
    chart=chart,
    step=step,
    from_step=from_step,
    supple=True,
    start_along=start_along,
    section=section,
    size=size,
    parallel="r",
    one_size=False,
    refit_radius=True,
    seat=False,
    terms={"bore": "groove", "boss": "rounded edge"},
    letters={"torus": "G"},
    looks={"torus": Look(0.36, 0.090, 16.0, "level")},
)
