"""What a kind of surface has to offer, and the packed form that the compiled kernels work on.

A packed shape is 16 numbers: point 0-2, direction 3-5, the basis u 6-8 and v 9-11 that local
parameters refer to, radius 12, sine and cosine of the half angle 13 and 14, major radius 15.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.surfaces.moments import circle_through
from pipeline.surfaces.shape import PlaneCurve, Shape

PACKED = 16
WIDEST = 7  # local parameters of the kind that has most, the torus
SLOTS = {"u": 0, "v": 1, "w": 2, "a": 3, "b": 4, "r": 5, "h": 6, "R": 7}

Array = NDArray[np.float64]
SIZES = ("r", "h", "R")  # the local parameters that move nothing

Invariance = Literal["planar", "cylindrical", "spherical", "revolute", "prismatic"]


class SituationFeature(StrEnum):
    """What stands for a surface as a datum (ISO 5459)."""

    PLANE = "plane"
    AXIS = "axis"
    POINT = "point"
    AXIS_POINT = "axis+point"


class Look(NamedTuple):
    """How the report shows a kind: lightness, chroma and hue (degrees) in OKLCh, and a hatch of the report's."""

    lightness: float
    chroma: float
    hue: float
    hatch: str


@dataclass(frozen=True, kw_only=True)
class Kind:
    """One kind of surface, and all that its kind needs anywhere.

    name         as in Feature.kind
    code         its number in the compiled kernels (`surfaces.kernels`)
    invariance   the class of motions that leave it as it is (ISO 17450-1): a plane is "planar", a circular cylinder
                 "cylindrical", a sphere "spherical", what is turned about an axis "revolute", what is drawn along a
                 line "prismatic"
    situation    its situation feature (ISO 5459)
    ruled        whether straight lines run along it, level or inclined to its axis
    parameters   its local parameters in order: "u", "v" shifts of the point along the basis, "w" along
                 the direction, "a", "b" turns of the direction towards the basis, "r" radius, "h" half
                 angle, "R" major radius
    form         what its form error is called: "flatness" (ISO 12781), "cylindricity" (ISO 12180), else "form"
    evaluate     compiled (packed, x, y, z, row) -> signed orthogonal distance, filling row with its
                 derivatives by the local parameters
    gradient     compiled (packed, x, y, z, out) -> the same distance, without its derivatives; out receives
                 the unit normal of the surface through the point
    begin        compiled (points, normals, packed) -> bool: closed-form start; normals are used as
                 lines, their sign only orients a plane
    start_along  (points (n, 3), unit axis (3,)) -> a start with that axis, None where the points make none; only an
                 axial kind has it, and need not
    section      (shape in sketch coordinates) -> the lines and circles in which it cuts the sketch's plane z = 0; ()
                 where it misses the plane or cuts it in another curve
    size         (shape) -> its sizes in words, mm and degrees
    parallel     the parameter by which surfaces differ that run everywhere equally far from it: "w" or "r"; None where
                 those are of no such kind
    one_size     whether a diameter measured on the part is its size: 2 "r"
    refit_radius whether a fit can be held to a radius "r" that the user gives
    seat         whether something sits on such faces, so that they are proposed as datums
    noun         its word in ids
    by_side      whether it goes by "bore" and "boss" instead of its name
    also         further words for it in job files
    looks        how the report shows it: by "bore" and "boss" where it goes by these, else by its name
    """

    name: str
    code: int
    invariance: Invariance
    situation: SituationFeature
    ruled: bool
    parameters: tuple[str, ...]
    form: str = "form"
    evaluate: Callable[..., Any]
    gradient: Callable[..., Any]
    begin: Callable[..., Any]
    start_along: Callable[[Array, Array], Shape | None] | None = None
    section: Callable[[Shape], tuple[PlaneCurve, ...]]
    size: Callable[[Shape], str]
    parallel: Literal["w", "r"] | None
    one_size: bool
    refit_radius: bool
    seat: bool
    noun: str
    by_side: bool = False
    also: tuple[str, ...] = ()
    looks: Mapping[str, Look]

    def __post_init__(self) -> None:
        """Raises ValueError where what is declared doesn't fit together."""
        needed = [name for name in (self.parallel, "r" if self.one_size or self.refit_radius else None) if name]
        lacking = [name for name in needed if name not in self.parameters]
        if lacking:
            raise ValueError(f"The kind {self.name!r} speaks of a parameter {lacking[0]!r} that it doesn't have.")
        unknown = [name for name in self.parameters if name not in SLOTS]
        if unknown:
            raise ValueError(f"The kind {self.name!r} has a parameter {unknown[0]!r}; there are {', '.join(SLOTS)}.")
        wanted = {"bore", "boss"} if self.by_side else {self.name}
        if set(self.looks) != wanted:
            raise ValueError(f"The kind {self.name!r} needs a look for {' and for '.join(sorted(wanted))}.")

    @property
    def flat(self) -> bool:
        return self.invariance == "planar"

    @property
    def spherical(self) -> bool:
        return self.invariance == "spherical"

    @property
    def cylindrical(self) -> bool:
        """Whether it is circular about an axis and the same all along it, as what a drill or a boring bar makes."""
        return self.invariance == "cylindrical"

    @property
    def axial(self) -> bool:
        """Whether it has an axis."""
        return self.invariance in ("cylindrical", "revolute", "prismatic")

    @property
    def drawn(self) -> bool:
        """Whether it is the same all along a line."""
        return self.invariance in ("planar", "cylindrical", "prismatic")

    @property
    def revolved(self) -> bool:
        """Whether its sections across its axis are circles."""
        return self.invariance in ("cylindrical", "revolute")

    @property
    def tapered(self) -> bool:
        """Whether its radius grows along its axis, by the half angle "h"."""
        return "h" in self.parameters

    @property
    def shifts(self) -> tuple[str, ...]:
        """The local parameters that shift its point: those of its place that the surface itself fixes."""
        return tuple(name for name in self.parameters if name in ("u", "v", "w"))

    @property
    def centred(self) -> bool:
        """Whether its point is the surface's own; else it lies where the surface was seen, in the middle of that."""
        return len(self.shifts) == 3

    @property
    def tubular(self) -> bool:
        """Whether it is a tube round an axis, as grooves and fillets are."""
        return self.revolved and self.centred

    def called(self, side: str | None) -> str:
        """What a surface of it is called whose material lies on `side`."""
        return side if self.by_side and side else self.name

    def id_word(self, side: str | None) -> str:
        """The first part of its ids."""
        return side if self.by_side and side else self.noun

    @property
    def slots(self) -> NDArray[np.int64]:
        return np.array([SLOTS[name] for name in self.parameters])

    def distance(self, shape: Shape, points: Array) -> Array:
        """(n,) signed orthogonal distance, mm, positive on the side of the geometric normal."""
        from pipeline.surfaces import kernels

        return kernels.distances(self.code, pack(shape), as_points(points))

    def normal(self, shape: Shape, points: Array) -> Array:
        """(n, 3) unit gradient of the distance."""
        from pipeline.surfaces import kernels

        return kernels.gradients(self.code, pack(shape), as_points(points))

    def jacobian(self, shape: Shape, points: Array, basis: Array | None = None) -> Array:
        """(n, k) derivatives of the distance by the local parameters on `basis`."""
        from pipeline.surfaces import kernels

        return kernels.jacobians(self.code, pack(shape, basis), as_points(points), len(self.parameters))

    def moved(self, shape: Shape, step: Array, basis: Array | None = None) -> Shape:
        """The shape after a small change (k,) of its local parameters on `basis`."""
        from pipeline.surfaces import kernels

        packed = pack(shape, basis)
        kernels.apply_step(packed, self.slots, np.asarray(step, dtype=float))
        return unpack(self.name, packed)

    def start(self, points: Array, normals: Array) -> Shape | None:
        """A first guess from points (n, 3) and their normals; None where they don't make one."""
        packed = np.zeros(PACKED)
        points, normals = as_points(points), as_points(normals)
        if len(points) < len(self.parameters) or not self.begin(points, normals, packed):
            return None
        return unpack(self.name, packed)


def as_points(points: Array) -> Array:
    return np.ascontiguousarray(np.atleast_2d(points), dtype=np.float64)


def basis_of(direction: Array | None) -> Array:
    """(2, 3) two unit vectors perpendicular to `direction` and each other, the same ones every time.

    Together with the direction they are right-handed. None (a sphere) gives the x and y axes, so that
    "u", "v", "w" are then x, y, z.
    """
    if direction is None:
        return np.eye(3)[:2].copy()
    # Plain numbers: for three of them numpy takes ten times as long.
    d = [float(x) for x in direction]
    least = min(range(3), key=lambda k: abs(d[k]))
    u = [(1.0 if k == least else 0.0) - d[k] * d[least] for k in range(3)]
    length = math.sqrt(u[0] * u[0] + u[1] * u[1] + u[2] * u[2])
    x, y, z = (c / length for c in u)
    return np.array([[x, y, z], [d[1] * z - d[2] * y, d[2] * x - d[0] * z, d[0] * y - d[1] * x]])


def circle_round(points: Array, axis: Array) -> tuple[Array, float] | None:
    """Centre (3,) and radius of the circle through points (n, 3) as seen along a unit axis; None where there is none.

    The centre is level with the points' mean.
    """
    u, v = basis_of(axis)
    middle = points.mean(axis=0)
    q = points - middle
    ca, cb, radius = circle_through(q @ u, q @ v)
    return (middle + ca * u + cb * v, radius) if radius > 0 else None


def pack(shape: Shape, basis: Array | None = None) -> Array:
    """The 16 numbers of a shape for the kernels."""
    packed = np.zeros(PACKED)
    packed[0:3] = shape.point
    packed[3:6] = (0.0, 0.0, 1.0) if shape.direction is None else shape.direction
    packed[6:12] = np.ravel(basis_of(shape.direction) if basis is None else basis)
    packed[12] = shape.radius or 0.0
    packed[13] = np.sin(shape.half_angle or 0.0)
    packed[14] = np.cos(shape.half_angle or 0.0)
    packed[15] = shape.major_radius or 0.0
    return packed


def unpack(kind: str, packed: Array) -> Shape:
    """The shape of 16 numbers; a cone is turned so that its radius grows along its direction."""
    point, direction = packed[0:3].copy(), packed[3:6].copy()
    if kind == "plane":
        return Shape(kind, point, direction)
    radius = float(packed[12])
    if kind == "sphere":
        return Shape(kind, point, None, abs(radius))
    if kind == "cylinder":
        return Shape(kind, point, direction, abs(radius))
    if kind == "torus":
        return Shape(kind, point, direction, abs(radius), major_radius=abs(float(packed[15])))
    angle = float(np.arctan2(packed[13], packed[14]))
    return Shape(kind, point, direction if angle >= 0 else -direction, radius, abs(angle))
