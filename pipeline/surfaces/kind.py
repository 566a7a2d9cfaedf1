"""What a kind of surface has to offer, and the packed form that the compiled kernels work on.

A packed shape is 16 numbers: point 0-2, direction 3-5, the basis u 6-8 and v 9-11 that local
parameters refer to, radius 12, sine and cosine of the half angle 13 and 14, major radius 15.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.surfaces.shape import Shape

PACKED = 16
WIDEST = 7  # local parameters of the kind that has most, the torus
SLOTS = {"u": 0, "v": 1, "w": 2, "a": 3, "b": 4, "r": 5, "h": 6, "R": 7}

Array = NDArray[np.float64]
Invariance = Literal["planar", "cylindrical", "spherical", "revolute", "prismatic"]
Situation = Literal["plane", "axis", "point", "axis+point"]


@dataclass(frozen=True, kw_only=True)
class Kind:
    """One kind of surface, and all that its kind needs anywhere.

    name         as in Feature.kind
    code         its number in the compiled kernels (`surfaces.kernels`)
    invariance   the class of motions that leave it as it is (ISO 17450-1): a plane is "planar", a circular cylinder
                 "cylindrical", a sphere "spherical", what is turned about an axis "revolute", what is drawn along a
                 line "prismatic"
    situation    its situation feature (ISO 5459): "plane", "axis", "point" or "axis+point"
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
    """

    name: str
    code: int
    invariance: Invariance
    situation: Situation
    ruled: bool
    parameters: tuple[str, ...]
    form: str = "form"
    evaluate: Callable[..., Any]
    gradient: Callable[..., Any]
    begin: Callable[..., Any]

    @property
    def flat(self) -> bool:
        return self.invariance == "planar"

    @property
    def axial(self) -> bool:
        """Whether it has an axis."""
        return self.invariance in ("cylindrical", "revolute", "prismatic")

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
