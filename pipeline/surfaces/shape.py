"""The geometry of one surface, apart from where it was seen and how well; and the packed form that kernels work on.

A packed shape is `PACKED` numbers, mm and unit vectors:

    0-2   point
    3-5   direction
    6-8   u, 9-11 v: the basis across the direction that local parameters refer to
    12    radius
    13    sine of the half angle, 14 its cosine
    15    major radius
    16-18 orientation about the direction

What a kind doesn't have is 0 (the cosine 1, the direction of a sphere z). In a table of surfaces of several kinds each
row is a packed shape with its kind's code behind it, `ROW` numbers.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple, Protocol

import numpy as np

from pipeline.geometry import Floats, basis_of, transformed, turned

PACKED = 19
ROW = PACKED + 1
CODE = PACKED  # where a row of a table has the code of its kind
SQUARE = np.radians(1.5)  # an axis nearer to square to a plane than this cuts it squarely


@dataclass(frozen=True)
class Shape:
    """An unbounded surface; mm and radians.

    kind          a key of `KINDS`
    point         on the plane; on the axis; the centre
    direction     unit: normal of a plane, axis of the others (a cone's points the way the radius
                  grows); None for a sphere
    radius        cone: at `point`; torus: of the tube; None for a plane
    orientation   unit, square to `direction`: how a surface that isn't one of revolution is turned about its axis;
                  None where it looks the same from all sides
    """

    kind: str
    point: Floats
    direction: Floats | None = None
    radius: float | None = None
    half_angle: float | None = None
    major_radius: float | None = None
    orientation: Floats | None = None


class OfAKind(Protocol):
    """What has a kind: a shape, a feature, a feature's record."""

    @property
    def kind(self) -> str: ...


class Sided(OfAKind, Protocol):
    """What is a bore or a boss besides, or neither."""

    @property
    def side(self) -> str | None: ...


class Featured(OfAKind, Protocol):
    """What of a recovered feature (`values.Feature`) says which surface it lies on."""

    @property
    def point(self) -> Floats: ...
    @property
    def direction(self) -> Floats | None: ...
    @property
    def radius(self) -> float | None: ...
    @property
    def half_angle(self) -> float | None: ...
    @property
    def major_radius(self) -> float | None: ...
    @property
    def orientation(self) -> Floats | None: ...


def shape_of(feature: Featured) -> Shape:
    """The bare geometry of a recovered feature."""
    return Shape(
        feature.kind,
        np.asarray(feature.point, dtype=float),
        None if feature.direction is None else np.asarray(feature.direction, dtype=float),
        feature.radius,
        feature.half_angle,
        feature.major_radius,
        None if feature.orientation is None else np.asarray(feature.orientation, dtype=float),
    )


def as_points(points: Floats) -> Floats:
    return np.ascontiguousarray(np.atleast_2d(points), dtype=np.float64)


def pack(shape: Shape, basis: Floats | None = None) -> Floats:
    """(PACKED,) numbers of a shape for the kernels; `basis` (2, 3) that of `basis_of` where none is given."""
    packed = np.zeros(PACKED)
    packed[0:3] = shape.point
    packed[3:6] = (0.0, 0.0, 1.0) if shape.direction is None else shape.direction
    packed[6:12] = np.ravel(basis_of(shape.direction) if basis is None else basis)
    packed[12] = shape.radius or 0.0
    packed[13] = np.sin(shape.half_angle or 0.0)
    packed[14] = np.cos(shape.half_angle or 0.0)
    packed[15] = shape.major_radius or 0.0
    if shape.orientation is not None:
        packed[16:19] = shape.orientation
    return packed


class PlaneCurve(NamedTuple):
    """A straight line through `point` (2,) along `direction` (2,), or a circle about `point` of `radius`; mm."""

    point: Floats
    direction: Floats | None = None
    radius: float | None = None


def circle_about(centre: Floats, square: float) -> tuple[PlaneCurve, ...]:
    """The circle of a given radius squared; none where that isn't positive."""
    return () if square <= 0 else (PlaneCurve(centre, radius=float(np.sqrt(square))),)


def leaning(shape: Shape) -> float:
    """Angle, rad, 0..pi/2, between a shape's direction and the z axis."""
    d = shape.direction
    assert d is not None
    return float(np.arctan2(np.linalg.norm(d[:2]), abs(d[2])))


def square_foot(shape: Shape) -> Floats | None:
    """(2,) where a shape's axis pierces the plane z = 0; None unless it stands square on it, within SQUARE."""
    point, d = shape.point, shape.direction
    assert d is not None
    if leaning(shape) >= SQUARE:
        return None
    foot: Floats = point[:2] - d[:2] / d[2] * point[2]
    return foot


def redirected(shape: Shape, direction: Floats) -> Shape:
    """The shape with another unit direction (3,), its orientation square to that."""
    if shape.orientation is None:
        return replace(shape, direction=direction)
    across = shape.orientation - (shape.orientation @ direction) * direction
    return replace(shape, direction=direction, orientation=across / np.linalg.norm(across))


def seen_from(shape: Shape, matrix: Floats) -> Shape:
    """The shape in the coordinates that a rigid motion (4, 4) leads to."""
    direction, orientation = (None if d is None else turned(matrix, d) for d in (shape.direction, shape.orientation))
    return replace(shape, point=transformed(matrix, shape.point), direction=direction, orientation=orientation)
