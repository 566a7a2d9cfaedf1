"""Features by their distance from a point, and which of them the point can mean.

People copy a feature's own point from a report, rounded as it is shown there, or point at its surface or its axis.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from pipeline.geometry import Floats, rejection
from pipeline.surfaces import kind_of, shape_of, signed_distance
from pipeline.values import Feature

# A report shows hundredths of a mm or thousandths of an inch, and of a point that is known less well no more than its
# uncertainty.
_ROUNDING = 0.03
_SIGMAS = 2.0
# What is further off than the nearest by no more than this, mm, or this share of the nearest's distance, may be meant.
_NEARLY = 0.2
_NEARLY_SHARE = 0.25
# Nothing is meant that is further off than this, mm, and than half its own size.
_FAR = 5.0


class Pointed(NamedTuple):
    """A feature, its distance in mm from a point, and whether that is the very point that a report shows for it."""

    feature: Feature
    distance: float
    hit: bool


def ranked(place: Sequence[float] | Floats, features: Sequence[Feature]) -> list[Pointed]:
    """All features by their distance, mm, from a place (3,) in scan coordinates; the nearest first.

    >>> from tests.features.made import bore
    >>> near, far = (bore(f'bore-{x}', (x, 0.0, 0.0), (0.0, 0.0, 1.0), 5.0) for x in (0, 90))
    >>> [(p.feature.id, p.distance, p.hit) for p in ranked((80.0, 0.0, 0.0), (near, far))]
    [('bore-90', 5.0, False), ('bore-0', 75.0, False)]
    """
    at = np.asarray(place, dtype=float)
    found = [Pointed(f, distance_of(f, at), _hit(f, at)) for f in features]
    return sorted(found, key=lambda p: (p.distance, p.feature.id))


def meant(order: Sequence[Pointed]) -> list[Pointed]:
    """Those of `ranked` that the place can mean: whose own point it is, else those nearly as near as the first.

    >>> from tests.features.made import bore
    >>> seat, spigot = bore('seat', (0, 0, 0), (0, 0, 1), 31.0, 30), bore('relief', (0, 0, 5), (0, 0, 1), 33.0, 60)
    >>> [p.feature.id for p in meant(ranked((0, 0, 5), (seat, spigot)))]  # the relief's own point
    ['relief']
    >>> [p.feature.id for p in meant(ranked((0, 0, 9), (seat, spigot)))]  # on the axis of both
    ['relief', 'seat']
    """
    hits = [p for p in order if p.hit]
    if hits or not order:
        return hits
    reach = order[0].distance + max(_NEARLY, _NEARLY_SHARE * order[0].distance)
    return [p for p in order if p.distance <= reach]


def is_far(pointed: Pointed) -> bool:
    """Whether a feature is too far from the place to be meant by it.

    >>> from tests.features.made import bore
    >>> (found,) = ranked((40.0, 0.0, 0.0), [bore('bore-0', (0, 0, 0), (0, 0, 1), 5.0)])
    >>> found.distance, is_far(found)
    (35.0, True)
    """
    feature = pointed.feature
    size = np.sqrt(feature.extent.area) if feature.radius is None else 2.0 * feature.radius
    return pointed.distance > max(_FAR, 0.5 * size)


def distance_of(feature: Feature, place: Floats) -> float:
    """Distance of a place (3,) from what was seen of a feature, or from its axis, mm: people point at either.

    >>> from tests.features.made import bore
    >>> hole = bore('bore-0', (0, 0, 0), (0, 0, 1), 5.0, 20)
    >>> [distance_of(hole, np.array(p, float)) for p in ((0, 0, 3), (5, 0, 3), (7, 0, 10), (5, 0, 14))]
    [0.0, 0.0, 2.0, 4.0]
    """
    shape = shape_of(feature)
    off = place - shape.point
    surface = abs(float(signed_distance(shape, place[None])[0]))
    if shape.direction is None:
        return min(surface, float(np.linalg.norm(off)))
    along = float(off @ shape.direction)
    across = float(np.linalg.norm(rejection(off, shape.direction)))
    if kind_of(feature).flat:
        return float(np.hypot(surface, max(0.0, across - np.sqrt(feature.extent.area / np.pi))))
    low, high = feature.extent.along or (
        -0.5 * (feature.extent.length or 0.0),
        0.5 * (feature.extent.length or 0.0),
    )
    beyond = max(low - along, along - high, 0.0)
    return float(np.hypot(min(surface, across), beyond))


def _hit(feature: Feature, place: Floats) -> bool:
    known = feature.uncertainty.position
    return float(np.linalg.norm(place - feature.point)) <= _ROUNDING + _SIGMAS * (known or 0.0)
