"""Situation features (ISO 5459): the plane, axis or point, or two of them, that a designated datum comes to.

Points and directions are in scan coordinates, mm and rad.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.errors import SettingsError
from pipeline.features.datums.designation import Choice
from pipeline.geometry import Floats, angle_between_lines, cross, fit_circle, mean_line, rejection, unit
from pipeline.surfaces import Shape, SituationFeature, kind_of

SNAP = np.radians(5.0)  # nearer than this to square or parallel is taken as exactly so
ALIKE = np.radians(10.0)  # nearer than this to parallel gives no second direction


@dataclass(frozen=True)
class Situation:
    """What a datum is to the frame: a point of it, and the direction of a plane's normal or of an axis.

    across  a second direction, square to the axis: how the plane through it lies that a prism has besides
    """

    kind: SituationFeature
    point: Floats
    direction: Floats | None
    across: Floats | None = None

    @property
    def flat(self) -> bool:
        return self.kind == SituationFeature.PLANE


def situation(choice: Choice, shapes: Mapping[str, Shape], weights: Mapping[str, Floats]) -> Situation:
    """What a choice comes to for shapes by id; `weights` (4, 4) inverse covariances of an axis' (u, v, a, b).

    Raises SettingsError where the members don't lie as they would have to.
    """
    found = [shapes[m] for m in choice.members]
    if choice.make == "point":
        return Situation(SituationFeature.POINT, np.asarray(choice.place, float), None)
    if choice.make == "feature":
        kind = kind_of(found[0]).situation
        across = found[0].orientation if kind == SituationFeature.AXIS_PLANE else None
        return Situation(kind, found[0].point, found[0].direction, across)
    if choice.make == "centre":
        return Situation(SituationFeature.POINT, found[0].point, None)
    if choice.make == "middle":
        return _middle(found, choice)
    if choice.make == "common axis":
        return _common_axis(found, [weights.get(m) for m in choice.members], choice)
    if choice.make == "crossing":
        axis, plane = found if kind_of(found[1]).flat else found[::-1]
        return Situation(SituationFeature.POINT, _pierce(axis, plane, choice), None)
    if choice.make == "pitch circle":
        return _pitch_axis(found, choice)
    raise SettingsError(f"{choice.label}: no datum is made like that.")


def _directions(found: Sequence[Shape]) -> list[Floats]:
    return [s.direction for s in found if s.direction is not None]


def mean_direction(found: Sequence[Shape]) -> Floats:
    """Mean of the directions, each taken the way the first one points."""
    return mean_line(_directions(found))


def _middle(found: Sequence[Shape], choice: Choice) -> Situation:
    a, b = found
    n, m = _directions(found)
    if angle_between_lines(n, m) > SNAP:
        raise SettingsError(f"{choice.label}: the two are not parallel; there is no plane midway between them.")
    middle = 0.5 * (a.point + b.point)
    if not kind_of(a).flat:
        off = b.point - a.point
        along = unit(n + m * np.sign(n @ m))
        off = rejection(off, along)
        if np.linalg.norm(off) < 1e-3:
            raise SettingsError(f"{choice.label}: the two axes coincide; there is no plane midway between them.")
        return Situation(SituationFeature.PLANE, middle, unit(off))
    # Points equally far from both faces, whichever way they look.
    sign = -1.0 if n @ m < 0 else 1.0
    normal = n + sign * m
    level = n @ a.point + sign * (m @ b.point)
    length = np.linalg.norm(normal)
    normal, level = normal / length, level / length
    return Situation(SituationFeature.PLANE, middle - (normal @ middle - level) * normal, normal)


def _common_axis(found: Sequence[Shape], weights: Sequence[Floats | None], choice: Choice) -> Situation:
    """The line that fits both axes best, each weighted by what is known of it (least squares of places
    across the line at each feature's middle and of directions); through both middles where nothing is."""
    a, b = found
    n, m = _directions(found)
    m = m if n @ m > 0 else -m
    if angle_between_lines(n, m) > SNAP:
        raise SettingsError(f"{choice.label}: the two axes are not parallel; they have no common axis.")
    w = mean_direction(found)
    middle = 0.5 * (a.point + b.point)
    if weights[0] is None or weights[1] is None:
        if abs((b.point - a.point) @ w) < 1e-3:
            raise SettingsError(f"{choice.label}: the two lie side by side; they have no common axis.")
        through = unit(b.point - a.point)
        return Situation(SituationFeature.AXIS, middle, through * np.sign(through @ n))
    # Unknowns: shift (s, t) of the line across at `middle` and its turn (f, g), in the cross axes.
    e = np.array(cross_axes(w))
    normal, right = np.zeros((4, 4)), np.zeros(4)
    for shape, direction, weight in zip(found, (n, m), weights, strict=True):
        assert weight is not None
        z = float((shape.point - middle) @ w)
        design = np.block([[np.eye(2), z * np.eye(2)], [np.zeros((2, 2)), np.eye(2)]])
        seen = np.concatenate([e @ (shape.point - middle), e @ (direction / (direction @ w))])
        normal += design.T @ weight @ design
        right += design.T @ weight @ seen
    s = np.linalg.solve(normal, right)
    return Situation(SituationFeature.AXIS, middle + s[:2] @ e, unit(w + s[2:] @ e))


def cross_axes(w: Floats) -> tuple[Floats, Floats]:
    """`basis_of` an axis (3,), turned by a quarter: a frame is stated to the last bit, in which the two differ."""
    first = unit(cross(np.eye(3)[int(np.argmin(np.abs(w)))], w))
    return first, cross(w, first)


def _pierce(axis: Shape, plane: Shape, choice: Choice) -> Floats:
    assert axis.direction is not None
    assert plane.direction is not None
    slope = float(axis.direction @ plane.direction)
    if abs(slope) < np.sin(ALIKE):
        raise SettingsError(f"{choice.label}: the axis runs along the plane; they don't cross.")
    return axis.point + axis.direction * float((plane.point - axis.point) @ plane.direction) / slope


def _pitch_axis(found: Sequence[Shape], choice: Choice) -> Situation:
    """Axis through the middle of the circle through the holes' axes, along their mean direction."""
    w = mean_direction(found)
    if max(angle_between_lines(d, w) for d in _directions(found)) > SNAP:
        raise SettingsError(f"{choice.label}: the holes are not parallel; they have no pitch circle.")
    points = np.array([s.point for s in found])
    e = np.array(cross_axes(w))
    centre, _, _ = fit_circle(points @ e.T)
    return Situation(SituationFeature.AXIS, centre @ e + (points.mean(axis=0) @ w) * w, w)
