"""The circular cone: an axis pointing the way the radius grows, the radius at a point of it, the half angle."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.geometry import Floats
from pipeline.jit import njit
from pipeline.surfaces.blocks import (
    about_axis,
    axes_towards,
    circle_round,
    mean_and_spread,
    meet_axial,
    out_from_axis,
    products,
    solvable,
    step_surface,
)
from pipeline.surfaces.kind import Chart, Kind, Look, SituationFeature, StepSurface
from pipeline.surfaces.shape import PlaneCurve, Shape, circle_about, square_foot

_STEEPEST = 0.9962  # sine of the half angle: what is steeper than 85 degrees is a plane
_HARDLY = 0.002  # rad: half angle of the cone that a cylinder is nearly


@njit(cache=True)
def evaluate(s: Floats, x: float, y: float, z: float, row: Floats) -> float:
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
def gradient(s: Floats, x: float, y: float, z: float) -> tuple[float, float, float, float]:
    t, ex, ey, ez, rho = out_from_axis(s, x, y, z)
    sine, cosine = s[13], s[14]
    return (
        (rho - s[12]) * cosine - t * sine,
        ex * cosine - s[3] * sine,
        ey * cosine - s[4] * sine,
        ez * cosine - s[5] * sine,
    )


@njit(cache=True)
def begin(points: Floats, normals: Floats, s: Floats) -> bool:
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


@njit(cache=True)
def sane(s: Floats, size: float) -> bool:
    return abs(s[13]) < _STEEPEST and abs(s[14]) > 0.0 and s[12] > 0.0


@njit(cache=True)
def turned(held: Floats, points: Floats, s: Floats) -> bool:
    """From a cylinder: nearly that."""
    s[:] = held
    s[13], s[14] = np.sin(_HARDLY), np.cos(_HARDLY)
    return True


def canonical(shape: Shape) -> Shape:
    """Turned so that its radius grows along its direction."""
    assert shape.direction is not None
    angle = shape.half_angle or 0.0
    direction = shape.direction if angle >= 0 else -shape.direction
    return replace(shape, direction=direction, half_angle=abs(angle))


def chart(shape: Shape, near: Floats) -> Chart:
    axes, half = axes_towards(shape, near), float(shape.half_angle or 0.0)
    start = float(shape.radius or 0.0) / np.tan(half)

    def flatten(points: Floats) -> Floats:
        local = (points - shape.point) @ axes.T
        slant = (local[:, 2] + start) * np.cos(half) + np.hypot(local[:, 0], local[:, 1]) * np.sin(half)
        turn = np.arctan2(local[:, 1], local[:, 0]) * np.sin(half)
        return np.stack([slant * np.sin(turn), slant * np.cos(turn)], axis=1)

    def lift(places: Floats) -> Floats:
        slant = np.hypot(places[:, 0], places[:, 1])
        turn = np.arctan2(places[:, 0], places[:, 1]) / np.sin(half)
        across, along = slant * np.sin(half), slant * np.cos(half) - start
        return shape.point + np.stack([across * np.cos(turn), across * np.sin(turn), along], axis=1) @ axes

    return Chart(flatten, lift)


def meetings(shape: Shape, feet: Floats, direction: Floats) -> list[Floats]:
    assert shape.direction is not None
    slope = np.tan(shape.half_angle) if shape.half_angle else 0.0
    found = meet_axial(shape, feet, direction, slope)
    for steps in found:
        with np.errstate(invalid="ignore"):
            up = (feet + steps[:, None] * direction - shape.point) @ shape.direction
            steps[~(float(shape.radius or 0.0) + slope * up > 0.0)] = np.nan  # on its other nappe
    return found


def step(shape: Shape, near: Floats) -> StepSurface:
    return step_surface("CONICAL_SURFACE", shape, shape.radius, shape.half_angle)


def from_step(surface: StepSurface) -> Shape | None:
    if surface.entity != "CONICAL_SURFACE":
        return None
    radius, angle = surface.sizes
    return Shape("cone", surface.location, surface.axis if angle >= 0 else -surface.axis, radius, abs(angle))


def start_along(points: Floats, axis: Floats) -> Shape | None:
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
    invariance="revolute",
    situation=SituationFeature.AXIS_POINT,
    ruled=True,
    parameters=("u", "v", "a", "b", "r", "h"),
    evaluate=evaluate,
    gradient=gradient,
    begin=begin,
    sane=sane,
    relatives=("cylinder",),
    turned=turned,
    chart=chart,
    meetings=meetings,
    canonical=canonical,
    step=step,
    from_step=from_step,
    start_along=start_along,
    section=section,
    size=size,
    parallel="r",
    one_size=False,
    refit_radius=False,
    seat=True,
    also=("taper",),
    terms={"bore": "internal taper", "boss": "external taper"},
    letters={"cone": "T"},
    looks={"cone": Look(0.38, 0.148, 303.0, "dots")},
)
