"""Two parameters on a surface, as CAD kernels use them, and lengths that keep distances roughly true.

Parameters (u, v) are those of ISO 10303-42, by the name that a kind's surface has there (`Kind.step`): plane x, y;
cylinder and cone turn about the axis and length along the axis or the slant; sphere longitude and latitude; torus turn
about the axis and about the tube; an ellipse drawn along a line its angle and the length. Angles are rad.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from pipeline.geometry import FULL_TURN, Floats, cross
from pipeline.surfaces import KINDS, Shape, StepSurface


@dataclass(frozen=True)
class Chart:
    """A surface with the frame that its parameters are told in.

    step    the surface in the words of ISO 10303-42
    frame   (3, 3) rows x, y, z; the turn is counted from x about z
    reach   mm that a unit of u and of v come to, for lengths
    turns   whether u, and whether v, come round again after 2 pi
    """

    shape: Shape
    step: StepSurface
    frame: Floats
    reach: tuple[float, float]
    turns: tuple[bool, bool]

    @property
    def turn(self) -> tuple[float, float]:
        """The lengths after which u and v come round again, in mm; 0 where they don't."""
        return (
            FULL_TURN * self.reach[0] if self.turns[0] else 0.0,
            FULL_TURN * self.reach[1] if self.turns[1] else 0.0,
        )

    def parameters(self, points: Floats) -> Floats:
        """(n, 2) u and v of points (n, 3) on the surface; turns within -pi .. pi."""
        local = (points - self.step.location) @ self.frame.T
        return _PARAMETERS[self.step.entity](self.step.sizes, local)

    def flat(self, points: Floats) -> Floats:
        """(n, 2) mm: u and v as lengths."""
        return self.parameters(points) * np.array(self.reach)


def step_of(shape: Shape, points: Floats) -> StepSurface | None:
    """What ISO 10303-42 calls a surface near some points (n, 3); None where it has no such face, or none known here.

    >>> bore = Shape("cylinder", np.zeros(3), np.array([0.0, 0.0, 1.0]), 8.0)
    >>> step_of(bore, np.array([[8.0, 0.0, 3.0]])).entity
    'CYLINDRICAL_SURFACE'
    """
    told = KINDS[shape.kind].step
    step = None if told is None else told(shape, points)
    return step if step is not None and step.entity in _PARAMETERS else None


def plane_at(point: Floats, normal: Floats) -> Shape:
    """A plane that is no feature: a lid, a facet's own, one to cut by. Both (3,), in mm; the normal of length 1."""
    return Shape("plane", point, normal)


def chart_on(shape: Shape, points: Floats, frame: Floats | None = None) -> Chart:
    """The chart of a shape for points (n, 3) near it, mm; frame (3, 3), z along its axis, where the shape leaves a
    choice.

    >>> bore = Shape("cylinder", np.zeros(3), np.array([0.0, 0.0, 1.0]), 8.0)
    >>> points = np.array([[8.0, 0.0, 3.0], [0.0, 8.0, 5.0]])
    >>> chart = chart_on(bore, points, np.eye(3))
    >>> chart.parameters(points).round(4).tolist()
    [[0.0, 3.0], [1.5708, 5.0]]
    """
    step = step_of(shape, points)
    assert step is not None
    if frame is None:
        frame = frame_about(step.axis, step.reference)
    if step.entity == "PLANE":
        return Chart(shape, step, frame, (1.0, 1.0), (False, False))
    if step.entity == "TOROIDAL_SURFACE":
        return Chart(shape, step, frame, (step.sizes[0], step.sizes[1]), (True, True))
    if step.entity == "SPHERICAL_SURFACE":
        return Chart(shape, step, frame, (step.sizes[0], step.sizes[0]), (True, False))
    local = (points - step.location) @ frame.T
    around = float(np.hypot(local[:, 0], local[:, 1]).mean())
    return Chart(shape, step, frame, (max(around, 1e-9), 1.0), (True, False))


def frame_about(axis: Floats, towards: Floats) -> Floats:
    """(3, 3) rows x, y, z: right-handed, z along the axis, x as near as can be to `towards`."""
    z = axis / np.linalg.norm(axis)
    x = towards - (towards @ z) * z
    x /= np.linalg.norm(x)
    return np.stack([x, cross(z, x), z])


def _turn(local: Floats) -> Floats:
    return np.asarray(np.arctan2(local[:, 1], local[:, 0]))


def _cone(sizes: tuple[float, ...], local: Floats) -> Floats:
    # Along the slant from the circle of the radius given.
    return np.stack([_turn(local), local[:, 2] / np.cos(sizes[1])], axis=1)


def _sphere(_: tuple[float, ...], local: Floats) -> Floats:
    return np.stack([_turn(local), np.arctan2(local[:, 2], np.hypot(local[:, 0], local[:, 1]))], axis=1)


def _torus(sizes: tuple[float, ...], local: Floats) -> Floats:
    return np.stack(
        [_turn(local), np.arctan2(local[:, 2], np.hypot(local[:, 0], local[:, 1]) - sizes[0])], axis=1
    )  # fmt: skip


def _extruded_ellipse(sizes: tuple[float, ...], local: Floats) -> Floats:
    # The angle is that of the circle the ellipse was pressed from.
    return np.stack([np.arctan2(local[:, 1] / sizes[1], local[:, 0] / sizes[0]), local[:, 2]], axis=1)


_PARAMETERS: dict[str, Callable[[tuple[float, ...], Floats], Floats]] = {
    "PLANE": lambda _, local: local[:, :2].copy(),
    "CYLINDRICAL_SURFACE": lambda _, local: np.stack([_turn(local), local[:, 2]], axis=1),
    "CONICAL_SURFACE": _cone,
    "SPHERICAL_SURFACE": _sphere,
    "TOROIDAL_SURFACE": _torus,
    "SURFACE_OF_LINEAR_EXTRUSION": _extruded_ellipse,
}
