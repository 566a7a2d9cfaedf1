"""The geometry of one surface, apart from where it was seen and how well."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

SQUARE = np.radians(1.5)  # an axis nearer to square to a plane than this cuts it squarely


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


class Featured(Protocol):
    """What of a recovered feature (`values.Feature`) says which surface it lies on."""

    @property
    def kind(self) -> str: ...
    @property
    def side(self) -> str | None: ...
    @property
    def point(self) -> NDArray[np.float64]: ...
    @property
    def direction(self) -> NDArray[np.float64] | None: ...
    @property
    def radius(self) -> float | None: ...
    @property
    def half_angle(self) -> float | None: ...
    @property
    def major_radius(self) -> float | None: ...


def shape_of(feature: Featured) -> Shape:
    """The bare geometry of a recovered feature."""
    return Shape(
        feature.kind,
        np.asarray(feature.point, dtype=float),
        None if feature.direction is None else np.asarray(feature.direction, dtype=float),
        feature.radius,
        feature.half_angle,
        feature.major_radius,
    )


class PlaneCurve(NamedTuple):
    """A straight line through `point` (2,) along `direction` (2,), or a circle about `point` of `radius`; mm."""

    point: NDArray[np.float64]
    direction: NDArray[np.float64] | None = None
    radius: float | None = None


def circle_about(centre: NDArray[np.float64], square: float) -> tuple[PlaneCurve, ...]:
    """The circle of a given radius squared; none where that isn't positive."""
    return () if square <= 0 else (PlaneCurve(centre, radius=float(np.sqrt(square))),)


def leaning(shape: Shape) -> float:
    """Angle, rad, 0..pi/2, between a shape's direction and the z axis."""
    d = shape.direction
    assert d is not None
    return float(np.arctan2(np.linalg.norm(d[:2]), abs(d[2])))


def square_foot(shape: Shape) -> NDArray[np.float64] | None:
    """(2,) where a shape's axis pierces the plane z = 0; None unless it stands square on it, within SQUARE."""
    point, d = shape.point, shape.direction
    assert d is not None
    if leaning(shape) >= SQUARE:
        return None
    foot: NDArray[np.float64] = point[:2] - d[:2] / d[2] * point[2]
    return foot


def seen_from(shape: Shape, matrix: NDArray[np.float64]) -> Shape:
    """The shape in the coordinates that a rigid motion (4, 4) leads to."""
    turn = matrix[:3, :3]
    point = turn @ shape.point + matrix[:3, 3]
    return replace(shape, point=point, direction=None if shape.direction is None else turn @ shape.direction)
