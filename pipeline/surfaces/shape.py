"""The geometry of one surface, apart from where it was seen and how well."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.values import Feature


@dataclass(frozen=True)
class Shape:
    """An unbounded plane, cylinder, cone, sphere or torus; mm and radians.

    kind          a key of `kinds.KINDS`
    point         on the plane; on the axis; the centre
    direction     unit: normal of a plane, axis of the others (a cone's points the way the radius
                  grows); None for a sphere
    radius        cone: at `point`; torus: of the tube; None for a plane
    """

    kind: str
    point: NDArray[np.float64]
    direction: NDArray[np.float64] | None = None
    radius: float | None = None
    half_angle: float | None = None
    major_radius: float | None = None


def shape_of(feature: Feature) -> Shape:
    """The bare geometry of a recovered feature."""
    return Shape(
        feature.kind,
        np.asarray(feature.point, dtype=float),
        None if feature.direction is None else np.asarray(feature.direction, dtype=float),
        feature.radius,
        feature.half_angle,
        feature.major_radius,
    )
