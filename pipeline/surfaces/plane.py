"""The plane: a point and an outward normal."""

from __future__ import annotations

import numpy as np

from pipeline.geometry import Floats
from pipeline.jit import njit
from pipeline.surfaces.blocks import mean_and_spread, step_surface, view
from pipeline.surfaces.kind import Chart, Kind, Look, SituationFeature, StepSurface
from pipeline.surfaces.shape import PlaneCurve, Shape


@njit(cache=True)
def evaluate(s: Floats, x: float, y: float, z: float, row: Floats) -> float:
    qx, qy, qz = x - s[0], y - s[1], z - s[2]
    row[0] = -1.0
    row[1] = qx * s[6] + qy * s[7] + qz * s[8]
    row[2] = qx * s[9] + qy * s[10] + qz * s[11]
    return qx * s[3] + qy * s[4] + qz * s[5]


@njit(cache=True)
def gradient(s: Floats, x: float, y: float, z: float) -> tuple[float, float, float, float]:
    return (x - s[0]) * s[3] + (y - s[1]) * s[4] + (z - s[2]) * s[5], s[3], s[4], s[5]


@njit(cache=True)
def begin(points: Floats, normals: Floats, s: Floats) -> bool:
    mean, spread = mean_and_spread(points)
    values, vectors = np.linalg.eigh(spread)
    if not values[1] > 0.0:
        return False
    d = vectors[:, 0].copy()
    agree = 0.0
    for i in range(len(normals)):
        agree += normals[i, 0] * d[0] + normals[i, 1] * d[1] + normals[i, 2] * d[2]
    s[0:3] = mean
    s[3:6] = d if agree >= 0.0 else -d
    return True


@njit(cache=True)
def sane(s: Floats, size: float) -> bool:
    return True


def chart(shape: Shape, near: Floats) -> Chart:
    assert shape.direction is not None
    direction = shape.direction
    flatten, lift = view(near - np.dot(near - shape.point, direction) * direction, direction)
    return Chart(flatten, lambda places: lift(places, np.zeros(len(places))))


def meetings(shape: Shape, feet: Floats, direction: Floats) -> list[Floats]:
    assert shape.direction is not None
    with np.errstate(invalid="ignore", divide="ignore"):
        return [-((feet - shape.point) @ shape.direction) / np.dot(direction, shape.direction)]


def step(shape: Shape, near: Floats) -> StepSurface:
    return step_surface("PLANE", shape)


def from_step(surface: StepSurface) -> Shape | None:
    if surface.entity != "PLANE":
        return None
    return Shape("plane", surface.location, surface.axis)


def section(shape: Shape) -> tuple[PlaneCurve, ...]:
    d, point = shape.direction, shape.point
    assert d is not None
    length = float(np.linalg.norm(d[:2]))
    if length < np.sin(np.radians(5.0)):
        return ()
    n = d[:2] / length
    foot = point[:2] + n * point[2] * d[2] / length
    return (PlaneCurve(foot, np.array([-n[1], n[0]])),)


def size(shape: Shape) -> str:
    return "flat"


KIND = Kind(
    name="plane",
    invariance="planar",
    situation=SituationFeature.PLANE,
    ruled=True,
    parameters=("w", "a", "b"),
    form="flatness",
    evaluate=evaluate,
    gradient=gradient,
    begin=begin,
    sane=sane,
    chart=chart,
    meetings=meetings,
    step=step,
    from_step=from_step,
    chord_steps=0,
    section=section,
    size=size,
    parallel="w",
    one_size=False,
    refit_radius=False,
    seat=True,
    terms={"": "face"},
    letters={"plane": "F"},
    also=("face",),
    looks={"plane": Look(0.90, 0.115, 90.0, "none")},
)
