"""Where holes start: the face that a bore pierces, and its mouth in a plane."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.coverage import PAIR
from pipeline.geometry import Floats, angle_between_lines, rejection
from pipeline.surfaces import is_bore, kind_of
from pipeline.values import Feature


def pierced_face(group: Sequence[Feature], features: Sequence[Feature]) -> Feature | None:
    """The largest face that all holes of a group start from, or None."""
    faces = [f for f in features if kind_of(f).flat and all(pierces(hole, f) for hole in group)]
    return max(faces, key=lambda f: f.extent.area, default=None)


def pierces(hole: Feature, face: Feature) -> bool:
    """Whether a round bore starts at a face: square to it, on its material side, no further behind its level than
    a chamfer or rounding hides (2 mm and a quarter of the radius, 6 mm at most), and within the face's reach.

    >>> from tests.features.made import bore, plane
    >>> face = plane('face', (0.0, 0.0, 0.0), (0.0, 0.0, 1.0), area=4000.0)
    >>> pierces(bore('hole', (10.0, 0.0, -10.0), (0.0, 0.0, 1.0), 4.0), face)
    True
    >>> pierces(bore('cross', (10.0, 0.0, -10.0), (1.0, 0.0, 0.0), 4.0), face)
    False
    """
    assert face.direction is not None
    if not is_bore(hole):
        return False
    assert hole.direction is not None
    assert hole.radius is not None
    if abs(hole.direction @ face.direction) < np.cos(np.radians(5.0)):
        return False
    low, high = reach_along(hole, face.direction)
    level = float(face.point @ face.direction)
    hidden = 2.0 + min(0.25 * hole.radius, 4.0)
    if not (-1.0 < level - high < hidden and low < level):
        return False
    off = hole.point - face.point
    across = np.linalg.norm(rejection(off, face.direction))
    # The face is no disc: a ring or a long foot reaches further than a disc of its area.
    return bool(across < hole.radius + 4.0 * np.sqrt(face.extent.area / np.pi))


def mouth(hole: Feature, point: Floats, normal: Floats, normal_unsure: float) -> tuple[Floats, float]:
    """Where a hole meets the plane through `point`: (3,) place, and its distance from the hole's middle, mm.

    The hole counts as square to the plane unless its tilt stands out of the uncertainties (95 %): a short hole's own
    direction is known far worse than a face's, and would carry its middle astray.

    >>> from tests.features.made import bore
    >>> hole = bore('hole', (10.0, 0.0, -8.0), (0.0, 0.0, 1.0), 4.0)
    >>> place, deep = mouth(hole, np.zeros(3), np.array([0.0, 0.0, 1.0]), 1e-5)
    >>> place.tolist(), deep
    ([10.0, 0.0, 0.0], 8.0)
    """
    assert hole.direction is not None
    tilt = angle_between_lines(hole.direction, normal)
    unsure = np.hypot(hole.uncertainty.direction or 0.0, normal_unsure)
    own = hole.uncertainty.direction is not None and tilt > max(PAIR * unsure, np.radians(0.1))
    along = hole.direction if own else normal
    step = float((point - hole.point) @ normal) / float(along @ normal)
    return hole.point + step * along, abs(step)


def reach_along(feature: Feature, along: Floats) -> tuple[float, float]:
    """Lowest and highest place, mm, of an axial feature's seen stretch along a unit direction (3,).

    >>> from tests.features.made import bore
    >>> reach_along(bore('hole', (10.0, 0.0, -8.0), (0.0, 0.0, 1.0), 4.0, 10.0), np.array([0.0, 0.0, -1.0]))
    (3.0, 13.0)
    """
    assert feature.direction is not None
    half = 0.5 * (feature.extent.length or 0.0)
    ends = feature.extent.along or (-half, half)
    places = [float((feature.point + e * feature.direction) @ along) for e in ends]
    return min(places), max(places)
