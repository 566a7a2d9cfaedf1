"""Two parameters on a surface: turn and height as CAD kernels use them, and lengths that keep distances roughly true.

Parameters (u, v) are those of ISO 10303-42: plane x, y; cylinder and cone turn about the axis and length along the
axis or the slant; sphere longitude and latitude; torus turn about the axis and about the tube. Angles are rad.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.surfaces import Shape, basis_of

Floats = NDArray[np.float64]
FULL = 2 * np.pi


@dataclass(frozen=True)
class Chart:
    """A surface with the frame that its parameters are told in.

    frame   (3, 3) rows x, y, z; the turn is counted from x about z
    reach   mm that a unit of u and of v come to, for lengths
    turns   whether u, and whether v, come round again after 2 pi
    """

    shape: Shape
    frame: Floats
    reach: tuple[float, float]
    turns: tuple[bool, bool]

    @property
    def turn(self) -> tuple[float, float]:
        """The lengths after which u and v come round again, in mm; 0 where they don't."""
        return (FULL * self.reach[0] if self.turns[0] else 0.0, FULL * self.reach[1] if self.turns[1] else 0.0)

    def parameters(self, points: Floats) -> Floats:
        """(n, 2) u and v of points (n, 3) on the surface; turns within -pi .. pi."""
        local = (points - self.shape.point) @ self.frame.T
        return _PARAMETERS[self.shape.kind](self.shape, local)

    def flat(self, points: Floats) -> Floats:
        """(n, 2) mm: u and v as lengths."""
        return self.parameters(points) * np.array(self.reach)


def chart_on(shape: Shape, points: Floats, frame: Floats | None = None) -> Chart:
    """The chart of a shape for points near it; frame (3, 3) where the shape leaves a choice, z along its axis."""
    if frame is None:
        axis = shape.direction if shape.direction is not None else np.array([0.0, 0.0, 1.0])
        frame = frame_about(axis, basis_of(axis)[0])
    radius = shape.radius or 1.0
    if shape.kind == "plane":
        reach, turns = (1.0, 1.0), (False, False)
    elif shape.kind == "cylinder":
        reach, turns = (radius, 1.0), (True, False)
    elif shape.kind == "cone":
        local = (points - shape.point) @ frame.T
        reach, turns = (float(np.hypot(local[:, 0], local[:, 1]).mean()), 1.0), (True, False)
    elif shape.kind == "sphere":
        reach, turns = (radius, radius), (True, False)
    else:
        reach, turns = ((shape.major_radius or 0.0), radius), (True, True)
    return Chart(shape, frame, reach, turns)


def frame_about(axis: Floats, towards: Floats) -> Floats:
    """(3, 3) rows x, y, z: right-handed, z along the axis, x as near as can be to `towards`."""
    z = axis / np.linalg.norm(axis)
    x = towards - (towards @ z) * z
    x /= np.linalg.norm(x)
    return np.stack([x, np.cross(z, x), z])


def _plane(_: Shape, local: Floats) -> Floats:
    return local[:, :2].copy()


def _cylinder(_: Shape, local: Floats) -> Floats:
    return np.stack([np.arctan2(local[:, 1], local[:, 0]), local[:, 2]], axis=1)


def _cone(shape: Shape, local: Floats) -> Floats:
    # Along the slant from the circle of `radius`; exact on the cone, whatever the sign of the radius there.
    return np.stack([np.arctan2(local[:, 1], local[:, 0]), local[:, 2] / np.cos(shape.half_angle or 0.0)], axis=1)


def _sphere(_: Shape, local: Floats) -> Floats:
    across = np.hypot(local[:, 0], local[:, 1])
    return np.stack([np.arctan2(local[:, 1], local[:, 0]), np.arctan2(local[:, 2], across)], axis=1)


def _torus(shape: Shape, local: Floats) -> Floats:
    out = np.hypot(local[:, 0], local[:, 1]) - (shape.major_radius or 0.0)
    return np.stack([np.arctan2(local[:, 1], local[:, 0]), np.arctan2(local[:, 2], out)], axis=1)


_PARAMETERS: dict[str, Callable[[Shape, Floats], Floats]] = {
    "plane": _plane,
    "cylinder": _cylinder,
    "cone": _cone,
    "sphere": _sphere,
    "torus": _torus,
}
