"""The circular cylinder: an axis and a radius."""

from __future__ import annotations

import numpy as np

from pipeline.geometry import Floats, algebraic_circle, perpendicular_pair
from pipeline.jit import njit
from pipeline.surfaces.blocks import (
    about_axis,
    axes_towards,
    circle_round,
    mean_and_spread,
    meet_axial,
    out_from_axis,
    products,
    step_surface,
)
from pipeline.surfaces.kind import Chart, Kind, Look, SituationFeature, StepSurface
from pipeline.surfaces.shape import SQUARE, PlaneCurve, Shape, circle_about, leaning, square_foot


@njit(cache=True)
def evaluate(s: Floats, x: float, y: float, z: float, row: Floats) -> float:
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
def gradient(s: Floats, x: float, y: float, z: float) -> tuple[float, float, float, float]:
    _, ex, ey, ez, rho = out_from_axis(s, x, y, z)
    return rho - s[12], ex, ey, ez


@njit(cache=True)
def begin(points: Floats, normals: Floats, s: Floats) -> bool:
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
    ca, cb, radius = algebraic_circle(a, b)
    if not radius > 0.0:
        return False
    s[0:3] = mean + ca * u + cb * v
    s[3:6] = d
    s[12] = radius
    return True


@njit(cache=True)
def sane(s: Floats, size: float) -> bool:
    return 0.0 < s[12] < 200.0 * size


@njit(cache=True)
def turned(held: Floats, points: Floats, s: Floats) -> bool:
    """From a cone: its axis, and its radius at its point."""
    s[:] = held
    return True


def chart(shape: Shape, near: Floats) -> Chart:
    axes, radius = axes_towards(shape, near), float(shape.radius or 0.0)

    def flatten(points: Floats) -> Floats:
        local = (points - shape.point) @ axes.T
        return np.stack([np.arctan2(local[:, 1], local[:, 0]) * radius, local[:, 2]], axis=1)

    def lift(places: Floats) -> Floats:
        turn = places[:, 0] / radius
        local = np.stack([radius * np.cos(turn), radius * np.sin(turn), places[:, 1]], axis=1)
        return shape.point + local @ axes

    return Chart(flatten, lift, 2.0 * np.pi * radius)


def meetings(shape: Shape, feet: Floats, direction: Floats) -> list[Floats]:
    return meet_axial(shape, feet, direction, 0.0)


def step(shape: Shape, near: Floats) -> StepSurface:
    return step_surface("CYLINDRICAL_SURFACE", shape, shape.radius)


def from_step(surface: StepSurface) -> Shape | None:
    if surface.entity != "CYLINDRICAL_SURFACE":
        return None
    return Shape("cylinder", surface.location, surface.axis, surface.sizes[0])


def start_along(points: Floats, axis: Floats) -> Shape | None:
    found = circle_round(points, axis)
    return None if found is None else Shape("cylinder", found[0], axis, found[1])


def section(shape: Shape) -> tuple[PlaneCurve, ...]:
    foot = square_foot(shape)
    if foot is not None:
        return circle_about(foot, (shape.radius or 0.0) ** 2)
    half = (shape.radius or 0.0) ** 2 - shape.point[2] ** 2
    if leaning(shape) <= np.pi / 2 - SQUARE or half <= 0:
        return ()
    assert shape.direction is not None
    e = shape.direction[:2] / np.linalg.norm(shape.direction[:2])
    n = np.array([-e[1], e[0]])
    return tuple(PlaneCurve(shape.point[:2] + s * np.sqrt(half) * n, e) for s in (1.0, -1.0))


def size(shape: Shape) -> str:
    return f"D{2 * (shape.radius or 0.0):.3f}"


KIND = Kind(
    name="cylinder",
    invariance="cylindrical",
    situation=SituationFeature.AXIS,
    ruled=True,
    parameters=("u", "v", "a", "b", "r"),
    form="cylindricity",
    evaluate=evaluate,
    gradient=gradient,
    begin=begin,
    sane=sane,
    relatives=("cone",),
    turned=turned,
    chart=chart,
    meetings=meetings,
    step=step,
    from_step=from_step,
    chord_steps=2,
    start_along=start_along,
    section=section,
    size=size,
    parallel="r",
    one_size=True,
    refit_radius=True,
    seat=True,
    terms={"bore": "bore", "boss": "outside diameter"},
    letters={"bore": "H", "boss": "S"},
    by_side=True,
    looks={"bore": Look(0.655, 0.108, 226.0, "rising"), "boss": Look(0.703, 0.100, 51.0, "falling")},
)
