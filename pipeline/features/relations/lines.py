"""A feature as a point and a direction, with how both move by what is not known of the feature."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from pipeline.features.uncertainty import combined_covariance
from pipeline.geometry import Floats, rejection
from pipeline.surfaces import kind_of
from pipeline.values import Feature, Uncertainty


class Line(NamedTuple):
    """A plane's point and normal, or a point and the direction of an axis.

    area            mm2 that was seen
    span            mm, length of an axial kind; of a plane the diameter of a disc of its area
    shifts, turns   (3, k) how the point and the direction move by the feature's k local parameters
    known           the feature's uncertainty; its covariance is there
    reach           (m, 3) mm from the point: ends of an axis, or corners of a rectangle round a plane, as seen; None
                    where that isn't known
    """

    id: str
    plane: bool
    area: float
    span: float
    point: Floats
    direction: Floats
    shifts: Floats
    turns: Floats
    known: Uncertainty
    reach: Floats | None


def line_of(feature: Feature) -> Line | None:
    """The line of a feature that is machined, well seen, free and of known uncertainty; None for others."""
    known = feature.uncertainty
    usable = feature.machined and feature.confidence == "good" and feature.direction is not None
    if not usable or feature.constraint is not None or known.covariance is None or known.basis is None:
        return None
    assert feature.direction is not None
    u, v = known.basis
    place = {"u": u, "v": v, "w": feature.direction}
    turn = {"a": u, "b": v}
    zero = np.zeros(3)
    direction = np.asarray(feature.direction, dtype=float)
    reach = feature.extent.corners
    if feature.extent.along is not None:
        reach = np.outer(feature.extent.along, direction)
    return Line(
        feature.id,
        kind_of(feature).flat,
        feature.extent.area,
        span_of(feature),
        np.asarray(feature.point, dtype=float),
        direction,
        np.array([place.get(name, zero) for name in known.names]).T,
        np.array([turn.get(name, zero) for name in known.names]).T,
        known,
        reach,
    )


def span_of(feature: Feature) -> float:
    """Length that was seen of an axial feature, or the diameter of a disc of a plane's area, mm.

    >>> from tests.features.made import plane
    >>> round(span_of(plane('top', (0.0, 0.0, 0.0), (0.0, 0.0, 1.0), area=100.0 * np.pi)), 9)
    20.0
    """
    return feature.extent.length or 2.0 * float(np.sqrt(feature.extent.area / np.pi))


def away(a: Line, b: Line) -> tuple[Floats, Floats]:
    """Place of b's point from a's axis, (3,) mm, and its covariance."""
    gap = b.point - a.point
    along = float(gap @ a.direction)
    flat = np.eye(3) - np.outer(a.direction, a.direction)
    by_a = flat @ (a.shifts + along * a.turns)
    by_b = flat @ b.shifts
    return rejection(gap, a.direction), combined_covariance([(by_a, a.known), (by_b, b.known)])
