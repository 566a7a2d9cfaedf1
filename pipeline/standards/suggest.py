"""Standard sizes that a measured one may have been meant as: suggestions, nothing is snapped to them.

A candidate is listed where the measured size, give or take its uncertainty, lies within what the way of making it
usually leaves; several are listed where they can't be told apart. What else the part shows rules candidates out: the
walls of a groove are no seats, a hole of a layout is no seat, and what holds a bearing is no hole for a bolt.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.geometry import angle_between_lines, rejection
from pipeline.standards.fits import SEAT, lip_seals, seats, zones
from pipeline.standards.glands import glands, rings_for, round_groove
from pipeline.standards.holes import dowels, hole_sizes
from pipeline.standards.sizes import Size
from pipeline.surfaces import kind_of
from pipeline.values import Feature, Pattern, SizeSuggestion

SMALL = 20.0  # mm: a hole up to this that fits a drill is taken as drilled, and gets no tolerance zone
LARGEST_PATTERN_HOLE = 30.0  # mm, of a layout, that is taken as a hole for a bolt
_PATTERN = 3
# mm and rad: holes of one drill, one way, are bolt holes as well where they are three or more in no layout
_SAME_DRILL, _ONE_WAY = 0.1, np.radians(1.0)


def suggest(features: Sequence[Feature], patterns: Sequence[Pattern] = ()) -> tuple[SizeSuggestion, ...]:
    """Suggestions for every bore, outside cylinder and groove of good confidence, in the order of the features, the
    best of each sort first. patterns: of those features; three holes or more of one layout are bolt holes, and so
    are three or more of one size that run the same way.

    >>> from tests.features.made import bore
    >>> seat = bore('seat', (0.0, 0.0, 0.0), (0.0, 0.0, 1.0), 31.0)
    >>> next(s for s in suggest([seat]) if '6206' in s.name).name
    '6206 outer ring (30 x 62 x 16; also 1206, 7206, NU206)'
    """
    good = [f for f in features if f.radius is not None and f.confidence == "good"]
    grooves = glands(good)
    walls = {ident for g in grooves for ident in g.features}
    laid_out = [p for p in patterns if p.kind in ("pitch_circle", "rectangle") and len(p.members) >= _PATTERN]
    circled = {m for p in laid_out for m in p.members} | _drilled_alike(good)
    out: list[SizeSuggestion] = []
    for feature in good:
        assert feature.radius is not None
        kind = kind_of(feature)
        out += [s for g in grooves if g.features[0] == feature.id for s in rings_for(g)]
        if feature.id in walls:
            continue
        if kind.tubular and feature.side == "bore" and feature.major_radius is not None:
            out += round_groove(feature.id, 2.0 * feature.major_radius, 2.0 * feature.radius)
        if not kind.cylindrical or feature.side is None:
            continue
        sigma = None if feature.uncertainty.radius is None else 2.0 * feature.uncertainty.radius
        size = Size(feature.id, 2.0 * feature.radius, sigma, feature.extent.length)
        bolt = feature.id in circled and size.diameter <= LARGEST_PATTERN_HOLE
        out += _of_bore(size, bolt) if feature.side == "bore" else _of_shaft(size)
    return tuple(out)


def _drilled_alike(features: Sequence[Feature]) -> set[str]:
    """Ids of holes of which there are three or more of one size whose axes run the same way beside each other."""
    holes = [f for f in features if kind_of(f).cylindrical and f.side == "bore" and f.direction is not None]
    out: set[str] = set()
    for one in holes:
        alike = [f for f in holes if f is not one and _is_twin(one, f)]
        if len(alike) + 1 >= _PATTERN:
            out.add(one.id)
    return out


def _is_twin(one: Feature, other: Feature) -> bool:
    assert one.radius is not None
    assert other.radius is not None
    assert one.direction is not None
    assert other.direction is not None
    if (
        2.0 * abs(one.radius - other.radius) > _SAME_DRILL
        or angle_between_lines(one.direction, other.direction) > _ONE_WAY
    ):
        return False
    beside = rejection(other.point - one.point, one.direction)
    return bool(np.linalg.norm(beside) > one.radius)


def _of_bore(size: Size, bolt: bool) -> list[SizeSuggestion]:
    held = [] if bolt else seats(size, "bore")
    holes = hole_sizes(size)
    if any(s.what == SEAT for s in held):
        holes = [s for s in holes if s.what != "clearance hole"]
    out = [*holes, *dowels(size, "bore"), *held]
    if not bolt:
        out += lip_seals(size, "bore")
    if size.diameter > SMALL or not holes:
        out += zones(size, "bore")
    return out


def _of_shaft(size: Size) -> list[SizeSuggestion]:
    return [*dowels(size, "boss"), *seats(size, "boss"), *lip_seals(size, "boss"), *zones(size, "boss")]
