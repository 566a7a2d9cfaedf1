"""The CAD kernel's surface of each round kind, and the stretch of its parameters that was seen.

What a kind needs for a face of its own in the STEP file stands here and nowhere else; a kind that is not in
`SURFACES` gets none.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from OCP.Geom import Geom_ConicalSurface, Geom_CylindricalSurface, Geom_SphericalSurface, Geom_ToroidalSurface

from pipeline.formats.datum_file import FeatureRecord
from pipeline.formats.step.shapes import TOLERANCE, ax3
from pipeline.formats.step.trims import Patch, ball_patch, is_whole, symmetry_axis, turn_seen
from pipeline.geometry import Floats, basis_of, unit_rows

_SMALLEST_RADIUS = 1e-3  # mm: a cone is cut off before its tip


@dataclass(frozen=True)
class Support:
    """point (3,), direction (3,) of a feature in part coordinates, and the points (n, 3) that were seen, less `point`.

    A sphere's direction says nothing about it.
    """

    point: Floats
    direction: Floats
    near: Floats


def _sphere(feature: FeatureRecord, seen: Support) -> tuple[Any, Patch]:
    rays = unit_rows(seen.near, TOLERANCE)
    direction = symmetry_axis(rays)
    first, second = basis_of(direction)
    patch = ball_patch(np.arctan2(rays @ second, rays @ first), np.arcsin(np.clip(rays @ direction, -1, 1)))
    return Geom_SphericalSurface(ax3(seen.point, direction, first), feature.radius), patch


def _cylinder(feature: FeatureRecord, seen: Support) -> tuple[Any, Patch]:
    patch = Patch(_around(feature, seen), _along(feature, seen))
    return Geom_CylindricalSurface(_axes(seen), feature.radius), patch


def _cone(feature: FeatureRecord, seen: Support) -> tuple[Any, Patch]:
    assert feature.half_angle is not None
    assert feature.radius is not None
    # The kernel's parameter runs along the slant, from the circle of `radius`.
    low, high = _along(feature, seen)
    half = math.radians(feature.half_angle)
    tip = (_SMALLEST_RADIUS - feature.radius) / math.sin(half)
    slant = (max(low / math.cos(half), tip), high / math.cos(half))
    return Geom_ConicalSurface(_axes(seen), half, feature.radius), Patch(_around(feature, seen), slant)


def _torus(feature: FeatureRecord, seen: Support) -> tuple[Any, Patch]:
    assert feature.major_radius is not None
    first, second = basis_of(seen.direction)
    out = np.hypot(seen.near @ first, seen.near @ second) - feature.major_radius
    tube = turn_seen(np.arctan2(seen.near @ seen.direction, out), False)
    surface = Geom_ToroidalSurface(_axes(seen), feature.major_radius, feature.radius)
    return surface, Patch(_around(feature, seen), tube)


# kind -> the kernel's surface of a feature and the range of both its parameters that was seen
SURFACES: dict[str, Callable[[FeatureRecord, Support], tuple[Any, Patch]]] = {
    "sphere": _sphere,
    "cylinder": _cylinder,
    "cone": _cone,
    "torus": _torus,
}


def _axes(seen: Support) -> Any:
    return ax3(seen.point, seen.direction, basis_of(seen.direction)[0])


def _around(feature: FeatureRecord, seen: Support) -> tuple[float, float]:
    first, second = basis_of(seen.direction)
    return turn_seen(np.arctan2(seen.near @ second, seen.near @ first), is_whole(feature.extent.arc))


def _along(feature: FeatureRecord, seen: Support) -> tuple[float, float]:
    # Long light facets reach over the ends of what was measured: the extent, taken from the scan, knows better.
    along = seen.near @ seen.direction
    return feature.extent.along or (float(along.min()), float(along.max()))
