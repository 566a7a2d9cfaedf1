"""The sphere: a centre and a radius."""

from __future__ import annotations

import numpy as np

from pipeline.geometry import Floats, basis_of
from pipeline.jit import njit
from pipeline.surfaces.blocks import TINY, mean_and_spread, roots, solvable, step_surface
from pipeline.surfaces.kind import Chart, Kind, Look, SituationFeature, StepSurface
from pipeline.surfaces.shape import PlaneCurve, Shape, circle_about


@njit(cache=True)
def evaluate(s: Floats, x: float, y: float, z: float, row: Floats) -> float:
    qx, qy, qz = x - s[0], y - s[1], z - s[2]
    rho = np.sqrt(qx * qx + qy * qy + qz * qz)
    inverse = 1.0 / rho if rho > 0.0 else 0.0
    row[0] = -(qx * s[6] + qy * s[7] + qz * s[8]) * inverse
    row[1] = -(qx * s[9] + qy * s[10] + qz * s[11]) * inverse
    row[2] = -(qx * s[3] + qy * s[4] + qz * s[5]) * inverse
    row[3] = -1.0
    return rho - s[12]


@njit(cache=True)
def gradient(s: Floats, x: float, y: float, z: float) -> tuple[float, float, float, float]:
    qx, qy, qz = x - s[0], y - s[1], z - s[2]
    rho = np.sqrt(qx * qx + qy * qy + qz * qz) + TINY
    return rho - s[12], qx / rho, qy / rho, qz / rho


@njit(cache=True)
def begin(points: Floats, normals: Floats, s: Floats) -> bool:
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


@njit(cache=True)
def sane(s: Floats, size: float) -> bool:
    return 0.0 < s[12] < 200.0 * size


def chart(shape: Shape, near: Floats) -> Chart:
    """Stereographic, from the point opposite to `near`."""
    radius = float(shape.radius or 0.0)
    away = near - shape.point
    away = away / (np.linalg.norm(away) or 1.0) if np.any(away) else np.array([0.0, 0.0, 1.0])
    first, second = basis_of(away)
    if np.dot(np.cross(first, second), away) < 0.0:
        first, second = second, first

    def flatten(points: Floats) -> Floats:
        local = points - shape.point
        local = local / np.maximum(np.linalg.norm(local, axis=1), 1e-12)[:, None]
        spread = 2.0 * radius / np.maximum(1.0 + local @ away, 1e-9)
        return np.stack([local @ first * spread, local @ second * spread], axis=1)

    def lift(places: Floats) -> Floats:
        x = places / (2.0 * radius)
        square = np.sum(x * x, axis=1)
        square = square[:, None]
        local = (2.0 * (x[:, :1] * first + x[:, 1:] * second) + (1.0 - square) * away) / (1.0 + square)
        return shape.point + radius * local

    return Chart(flatten, lift)


def meetings(shape: Shape, feet: Floats, direction: Floats) -> list[Floats]:
    w = feet - shape.point
    return roots(1.0, w @ direction, np.sum(w * w, axis=1) - float(shape.radius or 0.0) ** 2)


def step(shape: Shape, near: Floats) -> StepSurface:
    return step_surface("SPHERICAL_SURFACE", shape, shape.radius)


def from_step(surface: StepSurface) -> Shape | None:
    if surface.entity != "SPHERICAL_SURFACE":
        return None
    return Shape("sphere", surface.location, None, surface.sizes[0])


def section(shape: Shape) -> tuple[PlaneCurve, ...]:
    return circle_about(shape.point[:2], (shape.radius or 0.0) ** 2 - shape.point[2] ** 2)


def size(shape: Shape) -> str:
    return f"D{2 * (shape.radius or 0.0):.3f}"


KIND = Kind(
    name="sphere",
    invariance="spherical",
    situation=SituationFeature.POINT,
    ruled=False,
    parameters=("u", "v", "w", "r"),
    evaluate=evaluate,
    gradient=gradient,
    begin=begin,
    sane=sane,
    chart=chart,
    meetings=meetings,
    step=step,
    from_step=from_step,
    linear_start=True,
    section=section,
    size=size,
    parallel="r",
    one_size=True,
    refit_radius=True,
    seat=True,
    terms={"bore": "spherical seat", "boss": "ball"},
    letters={"sphere": "B"},
    looks={"sphere": Look(0.50, 0.150, 140.0, "grid")},
)
