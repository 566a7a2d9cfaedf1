"""Maps between a surface and a plane, so that work on a surface becomes work in a plane.

A chart's plane is seen from outside the material: what runs counter-clockwise there runs so in the plane.
Around `near` a chart keeps lengths (plane, cylinder, cone) or nearly so (sphere, torus, a view along a
direction onto a bent surface).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.surfaces.kind import basis_of
from pipeline.surfaces.shape import Shape

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Chart:
    """flatten: points (n, 3) -> (n, 2); lift: (n, 2) -> points (n, 3) on the surface; mm.

    period  of the first coordinate where the surface closes on itself round an axis, else None
    """

    flatten: Callable[[Array], Array]
    lift: Callable[[Array], Array]
    period: float | None = None


def view(origin: Array, direction: Array) -> tuple[Callable[[Array], Array], Callable[[Array, Array], Array]]:
    """Look against `direction` (towards the viewer): points -> plane, and plane and heights -> points."""
    first, second = basis_of(direction)
    if np.dot(np.cross(first, second), direction) < 0.0:
        first, second = second, first
    plane = np.stack([first, second])

    def flatten(points: Array) -> Array:
        return (points - origin) @ plane.T

    def lift(places: Array, heights: Array) -> Array:
        return origin + places @ plane + np.asarray(heights)[..., None] * direction

    return flatten, lift


def height_of(shape: Shape, outward: float, origin: Array, direction: Array) -> Callable[[Array], Array]:
    """Where a line of sight meets a fitted surface: feet of lines (n, 3) -> steps (n,) mm along `direction`.

    Of several meetings the one nearest to the plane through `origin` counts; nan where the surface is
    missed or seen from behind. outward as for `chart_of`.
    """

    def height(feet: Array) -> Array:
        found = np.full(len(feet), np.nan)
        for steps in _meetings(shape, feet, direction):
            with np.errstate(invalid="ignore"):
                facing = outward * (_gradient(shape, feet + steps[:, None] * direction) @ direction) > 0.02
                depth = (feet - origin) @ direction + steps
                better = ~(np.abs((feet - origin) @ direction + found) <= np.abs(depth))
            take = facing & better & np.isfinite(steps)
            found[take] = steps[take]
        return found

    return height


def _meetings(shape: Shape, feet: Array, direction: Array) -> list[Array]:
    """Steps along the direction at which lines meet the unbounded surface, nan where they don't."""
    w = feet - shape.point
    with np.errstate(invalid="ignore", divide="ignore"):
        if shape.kind == "plane":
            assert shape.direction is not None
            return [-(w @ shape.direction) / np.dot(direction, shape.direction)]
        if shape.kind == "torus":
            return _torus_meetings(shape, feet, direction)
        radius = float(shape.radius or 0.0)
        if shape.kind == "sphere":
            a, b, c = 1.0, w @ direction, np.sum(w * w, axis=1) - radius**2
        else:
            assert shape.direction is not None
            axis = shape.direction
            slope = np.tan(shape.half_angle) if shape.kind == "cone" and shape.half_angle else 0.0
            up, rise = w @ axis, float(np.dot(direction, axis))
            here = radius + slope * up
            a = 1.0 - rise * rise * (1.0 + slope * slope)
            b = w @ direction - up * rise - slope * rise * here
            c = np.sum(w * w, axis=1) - up * up - here * here
        if abs(a) < 1e-9:
            return [-0.5 * c / b]
        root = np.sqrt(b * b - a * c)
        return [(-b - root) / a, (-b + root) / a]


def _torus_meetings(shape: Shape, feet: Array, direction: Array) -> list[Array]:
    """By sphere tracing from both sides: each step is the distance, so that no meeting is stepped over."""
    reach = float(shape.major_radius or 0.0) + float(shape.radius or 0.0)
    middle = -((feet - shape.point) @ direction)
    out = []
    for way in (1.0, -1.0):
        steps = middle - way * 1.5 * reach
        off = np.full(len(feet), np.inf)
        for _ in range(200):
            off = _torus_distance(shape, feet + steps[:, None] * direction)
            steps = steps + way * np.abs(off)
            if np.all((np.abs(off) < 1e-10) | (way * (steps - middle) > 1.5 * reach)):
                break
        out.append(np.where(np.abs(off) < 1e-7, steps, np.nan))
    return out


def _torus_distance(shape: Shape, points: Array) -> Array:
    assert shape.direction is not None
    w = points - shape.point
    along = w @ shape.direction
    across = np.sqrt(np.maximum(np.sum(w * w, axis=1) - along * along, 0.0))
    return np.hypot(across - float(shape.major_radius or 0.0), along) - float(shape.radius or 0.0)


def _gradient(shape: Shape, points: Array) -> Array:
    """Geometric normals, not of unit length; zero on a cone's other nappe."""
    w = points - shape.point
    if shape.kind == "plane":
        return np.broadcast_to(np.asarray(shape.direction), w.shape)
    if shape.kind == "sphere":
        return w / float(shape.radius or 1.0)
    assert shape.direction is not None
    axis = shape.direction
    up = w @ axis
    arm = w - up[:, None] * axis
    size = np.maximum(np.linalg.norm(arm, axis=1), 1e-12)
    if shape.kind == "cylinder":
        return arm / size[:, None]
    if shape.kind == "cone":
        slope = np.tan(float(shape.half_angle or 0.0))
        there = float(shape.radius or 0.0) + slope * up > 0.0
        return (arm / size[:, None] - slope * axis) * there[:, None]
    ring = shape.point + arm / size[:, None] * float(shape.major_radius or 0.0)
    return (points - ring) / float(shape.radius or 1.0)


def chart_of(shape: Shape, near: Array, outward: float) -> Chart:
    """The chart of a fitted surface.

    near     (3,) point of it that the chart is laid out around
    outward  1.0 where the geometric normal points out of the material, -1.0 where into it (bores)
    """
    chart = _CHARTS[shape.kind](shape, near)
    if outward > 0.0:
        return chart
    mirror = np.array([-1.0, 1.0])
    return Chart(
        lambda points: chart.flatten(points) * mirror, lambda places: chart.lift(places * mirror), chart.period
    )


def _plane(shape: Shape, near: Array) -> Chart:
    assert shape.direction is not None
    direction = shape.direction
    flatten, lift = view(near - np.dot(near - shape.point, direction) * direction, direction)
    return Chart(flatten, lambda places: lift(places, np.zeros(len(places))))


def _axes(shape: Shape, near: Array) -> Array:
    """(3, 3) rows: from the axis towards `near`, across both, along the axis."""
    assert shape.direction is not None
    axis = shape.direction
    away = near - shape.point
    away = away - np.dot(away, axis) * axis
    size = np.linalg.norm(away)
    away = basis_of(axis)[0] if size == 0.0 else away / size
    return np.stack([away, np.cross(axis, away), axis])


def _cylinder(shape: Shape, near: Array) -> Chart:
    axes, radius = _axes(shape, near), float(shape.radius or 0.0)

    def flatten(points: Array) -> Array:
        local = (points - shape.point) @ axes.T
        return np.stack([np.arctan2(local[:, 1], local[:, 0]) * radius, local[:, 2]], axis=1)

    def lift(places: Array) -> Array:
        turn = places[:, 0] / radius
        local = np.stack([radius * np.cos(turn), radius * np.sin(turn), places[:, 1]], axis=1)
        return shape.point + local @ axes

    return Chart(flatten, lift, 2.0 * np.pi * radius)


def _cone(shape: Shape, near: Array) -> Chart:
    axes, half = _axes(shape, near), float(shape.half_angle or 0.0)
    start = float(shape.radius or 0.0) / np.tan(half)

    def flatten(points: Array) -> Array:
        local = (points - shape.point) @ axes.T
        slant = (local[:, 2] + start) * np.cos(half) + np.hypot(local[:, 0], local[:, 1]) * np.sin(half)
        turn = np.arctan2(local[:, 1], local[:, 0]) * np.sin(half)
        return np.stack([slant * np.sin(turn), slant * np.cos(turn)], axis=1)

    def lift(places: Array) -> Array:
        slant = np.hypot(places[:, 0], places[:, 1])
        turn = np.arctan2(places[:, 0], places[:, 1]) / np.sin(half)
        across, along = slant * np.sin(half), slant * np.cos(half) - start
        return shape.point + np.stack([across * np.cos(turn), across * np.sin(turn), along], axis=1) @ axes

    return Chart(flatten, lift)


def _sphere(shape: Shape, near: Array) -> Chart:
    radius = float(shape.radius or 0.0)
    away = near - shape.point
    away = away / (np.linalg.norm(away) or 1.0) if np.any(away) else np.array([0.0, 0.0, 1.0])
    first, second = basis_of(away)
    if np.dot(np.cross(first, second), away) < 0.0:
        first, second = second, first

    def flatten(points: Array) -> Array:
        local = points - shape.point
        local = local / np.maximum(np.linalg.norm(local, axis=1), 1e-12)[:, None]
        spread = 2.0 * radius / np.maximum(1.0 + local @ away, 1e-9)
        return np.stack([local @ first * spread, local @ second * spread], axis=1)

    def lift(places: Array) -> Array:
        x = places / (2.0 * radius)
        square = np.sum(x * x, axis=1)
        square = square[:, None]
        local = (2.0 * (x[:, :1] * first + x[:, 1:] * second) + (1.0 - square) * away) / (1.0 + square)
        return shape.point + radius * local

    return Chart(flatten, lift)


def _torus(shape: Shape, near: Array) -> Chart:
    axes = _axes(shape, near)
    large, small = float(shape.major_radius or 0.0), float(shape.radius or 0.0)
    here = axes @ (near - shape.point)
    begin = np.arctan2(here[2], np.hypot(here[0], here[1]) - large)
    reach = max(large + small * np.cos(begin), 0.1 * large)

    def flatten(points: Array) -> Array:
        local = (points - shape.point) @ axes.T
        tube = np.arctan2(local[:, 2], np.hypot(local[:, 0], local[:, 1]) - large) - begin
        tube = (tube + np.pi) % (2.0 * np.pi) - np.pi
        return np.stack([reach * np.arctan2(local[:, 1], local[:, 0]), small * tube], axis=1)

    def lift(places: Array) -> Array:
        turn, tube = places[:, 0] / reach, places[:, 1] / small + begin
        across = large + small * np.cos(tube)
        local = np.stack([across * np.cos(turn), across * np.sin(turn), small * np.sin(tube)], axis=1)
        return shape.point + local @ axes

    return Chart(flatten, lift)


_CHARTS: dict[str, Callable[[Shape, Array], Chart]] = {
    "plane": _plane,
    "cylinder": _cylinder,
    "cone": _cone,
    "sphere": _sphere,
    "torus": _torus,
}
