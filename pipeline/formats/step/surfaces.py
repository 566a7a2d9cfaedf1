"""The CAD kernel's surfaces, by their names in ISO 10303-42, and the stretch of their parameters that was seen.

What a kind of surface is in a STEP file it says itself (`Kind.step`); here stands only what the kernel calls that.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
from OCP.Geom import (
    Geom_ConicalSurface,
    Geom_CylindricalSurface,
    Geom_Ellipse,
    Geom_SphericalSurface,
    Geom_SurfaceOfLinearExtrusion,
    Geom_ToroidalSurface,
)
from OCP.gp import gp_Ax2

from pipeline.formats.datum_file import FeatureRecord
from pipeline.formats.step.shapes import TOLERANCE, ax3, direction_of, pnt
from pipeline.formats.step.trims import Patch, ball_patch, is_whole, symmetry_axis, turn_seen
from pipeline.geometry import Floats, basis_of
from pipeline.surfaces import KINDS, Shape, StepSurface

_SMALLEST_RADIUS = 1e-3  # mm: a cone is cut off before its tip


def surface_of(feature: FeatureRecord, point: Floats, direction: Floats, near: Floats) -> tuple[Any, Patch] | None:
    """The kernel's surface of a feature at `point` (3,) with `direction` (3,), and the range of both its parameters
    that the points (n, 3) near it, less `point`, cover; None where its kind has no face in STEP."""
    placed = feature.in_part_frame
    shape = Shape(
        feature.kind,
        point,
        None if placed.direction is None else direction,
        feature.radius,
        None if feature.half_angle is None else math.radians(feature.half_angle),
        feature.major_radius,
        None if placed.orientation is None else np.array(placed.orientation),
    )
    told = KINDS[feature.kind].step
    step = None if told is None else told(shape, point + near)
    if step is None or step.entity not in _MADE:
        return None
    return _MADE[step.entity](step, feature, near)


def _sphere(step: StepSurface, feature: FeatureRecord, near: Floats) -> tuple[Any, Patch]:
    # Its axis is chosen so that what was seen is a plain range of both angles.
    rays = near / np.maximum(np.linalg.norm(near, axis=1, keepdims=True), TOLERANCE)
    axis = symmetry_axis(rays)
    first, second = basis_of(axis)
    patch = ball_patch(np.arctan2(rays @ second, rays @ first), np.arcsin(np.clip(rays @ axis, -1, 1)))
    return Geom_SphericalSurface(ax3(step.location, axis, first), *step.sizes), patch


def _cylinder(step: StepSurface, feature: FeatureRecord, near: Floats) -> tuple[Any, Patch]:
    return Geom_CylindricalSurface(_axes(step), *step.sizes), Patch(
        _around(step, feature, near), _along(step, feature, near)
    )


def _cone(step: StepSurface, feature: FeatureRecord, near: Floats) -> tuple[Any, Patch]:
    # The kernel's parameter runs along the slant, from the circle of `radius`.
    radius, half = step.sizes
    low, high = _along(step, feature, near)
    tip = (_SMALLEST_RADIUS - radius) / math.sin(half)
    slant = (max(low / math.cos(half), tip), high / math.cos(half))
    return Geom_ConicalSurface(_axes(step), half, radius), Patch(_around(step, feature, near), slant)


def _torus(step: StepSurface, feature: FeatureRecord, near: Floats) -> tuple[Any, Patch]:
    major, minor = step.sizes
    x, y, along = _coordinates(step, near)
    tube = turn_seen(np.arctan2(along, np.hypot(x, y) - major), False)
    return Geom_ToroidalSurface(_axes(step), major, minor), Patch(_around(step, feature, near), tube)


def _extruded_ellipse(step: StepSurface, feature: FeatureRecord, near: Floats) -> tuple[Any, Patch]:
    axis = direction_of(step.axis)
    ellipse = Geom_Ellipse(gp_Ax2(pnt(step.location), axis, direction_of(step.reference)), *step.sizes)
    x, y, _ = _coordinates(step, near)
    # The kernel's angle is that of the circle the ellipse was pressed from.
    around = turn_seen(np.arctan2(y / step.sizes[1], x / step.sizes[0]), is_whole(feature.extent.arc))
    return Geom_SurfaceOfLinearExtrusion(ellipse, axis), Patch(around, _along(step, feature, near))


_MADE: dict[str, Callable[[StepSurface, FeatureRecord, Floats], tuple[Any, Patch]]] = {
    "SPHERICAL_SURFACE": _sphere,
    "CYLINDRICAL_SURFACE": _cylinder,
    "CONICAL_SURFACE": _cone,
    "TOROIDAL_SURFACE": _torus,
    "SURFACE_OF_LINEAR_EXTRUSION": _extruded_ellipse,
}


def _axes(step: StepSurface) -> Any:
    return ax3(step.location, step.axis, step.reference)


def _coordinates(step: StepSurface, near: Floats) -> tuple[Floats, Floats, Floats]:
    """(n,) along the reference, across it and along the axis."""
    return near @ step.reference, near @ np.cross(step.axis, step.reference), near @ step.axis


def _around(step: StepSurface, feature: FeatureRecord, near: Floats) -> tuple[float, float]:
    x, y, _ = _coordinates(step, near)
    return turn_seen(np.arctan2(y, x), is_whole(feature.extent.arc))


def _along(step: StepSurface, feature: FeatureRecord, near: Floats) -> tuple[float, float]:
    # Long light facets reach over the ends of what was measured: the extent, taken from the scan, knows better.
    _, _, along = _coordinates(step, near)
    return feature.extent.along or (float(along.min()), float(along.max()))
