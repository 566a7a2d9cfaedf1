"""Regions of space that the job says are not the part, and what lies in them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.errors import SettingsError
from pipeline.geometry import Floats, Mask, transformed
from pipeline.job import Zone
from pipeline.surfaces import is_bore
from pipeline.values import Feature

# Facets this share of the radius from a bore's wall are its wall, not something inside it.
_WALL_SHARE = 0.03


def inside(zone: Zone, points: Floats, features: Sequence[Feature] = ()) -> Mask:
    """(n,) which of the points (n, 3) mm, in scan coordinates, lie in the zone; its surface counts, but for a bore's.

    features  needed by a zone inside a feature. `points` should then be those of the whole surface: they tell
              which end of the bore is its mouth

    Raises SettingsError where what the zone needs is not there.

    >>> points = np.array([[1.0, 2.0, 3.0], [1.0, 2.0, 3.5]])
    >>> inside(Zone(shape="box", coordinates="scan", low=(0, 0, 0), high=(3, 3, 3)), points).tolist()
    [True, False]
    >>> shifted = ((1, 0, 0, 0), (0, 1, 0, 0), (0, 0, 1, -3.5), (0, 0, 0, 1))
    >>> inside(Zone(shape="sphere", part_frame=shifted, centre=(1, 2, 0), radius=0.4), points).tolist()
    [False, True]
    """
    if zone.shape == "inside":
        return _inside_bore(zone, points, features)
    if zone.coordinates == "part":
        if zone.part_frame is None:
            raise SettingsError(
                "A zone is in part coordinates, which only a run after another one knows; mark its points "
                '"scan: [x, y, z]" for scan coordinates.'
            )
        points = transformed(np.array(zone.part_frame), points)
    if zone.shape == "box":
        ends = np.sort([zone.low, zone.high], axis=0)
        return ((points >= ends[0]) & (points <= ends[1])).all(axis=1)
    if zone.shape == "half-space":
        return (points - np.array(zone.point)) @ np.array(zone.direction, dtype=float) >= 0
    # Job files without what a shape needs are refused when they are read.
    assert zone.radius is not None
    if zone.shape == "sphere":
        return ((points - np.array(zone.centre)) ** 2).sum(axis=1) <= zone.radius**2
    start, end = np.array(zone.start, dtype=float), np.array(zone.end, dtype=float)
    length = float(np.linalg.norm(end - start))
    along, across = _cylindrical(points, start, (end - start) / length)
    return (along >= 0) & (along <= length) & (across <= zone.radius)


def _cylindrical(points: Floats, start: Floats, direction: Floats) -> tuple[Floats, Floats]:
    offset = points - start
    along = offset @ direction
    return along, np.sqrt(np.maximum((offset**2).sum(axis=1) - along**2, 0))


def _inside_bore(zone: Zone, points: Floats, features: Sequence[Feature]) -> Mask:
    feature = next((f for f in features if f.goes_by(zone.feature)), None)
    if feature is None:
        known = ", ".join(f.id for f in features if is_bore(f)) or "none was found"
        raise SettingsError(f"A zone lies inside {zone.feature!r}, but there is no such feature; bores here: {known}.")
    if not is_bore(feature) or feature.extent.along is None:
        raise SettingsError(
            f"A zone lies inside {zone.feature!r}, but that is no cylindrical bore; "
            "name a bore, or use a zone of shape cylinder."
        )
    assert feature.direction is not None
    assert feature.radius is not None
    along, across = _cylindrical(points, feature.point, feature.direction)
    within = across < feature.radius * (1 - _WALL_SHARE)
    low, high = feature.extent.along
    depth = np.full(len(points), np.inf)
    for mouth, inwards in _mouths(along, across, low, high, feature.radius):
        depth = np.minimum(depth, (along - mouth) * inwards)
    return within & (depth > zone.beyond)


def _mouths(along: Floats, across: Floats, low: float, high: float, radius: float) -> list[tuple[float, int]]:
    """Ends at which the bore opens, and the way in: surface lies outside of the bore's circle there.

    Beyond a blind end there is only material round the bore, so nothing is seen there. A bore that opens
    nowhere that can be seen is taken to open at both ends.
    """
    margin = min(0.5 * radius, 0.25 * (high - low))
    ring = (across > 1.05 * radius) & (across < 2.0 * radius)
    ends = [(low, 1), (high, -1)]
    found = [(end, way) for end, way in ends if np.count_nonzero(ring & (np.abs(along - end) < margin)) > 20]
    return found or ends
