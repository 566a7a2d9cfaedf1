"""What features have to do with each other: parallel, perpendicular, coaxial, intersecting, at an angle, at a distance.

A relation is stated only where the uncertainty supports it: a deviation that could have been meant to be none is called
parallel (perpendicular, coaxial, intersecting) as long as it doesn't stand out among all that are held against
nothing, and where its uncertainty is small enough for that to mean something; one that stands out is given as an angle
or a distance. Features are taken as independent of each other, but for how large a scan's waves are: that was learnt
once for all of them.

A distance holds at the middle of the second feature; where the two aren't parallel, the least and the largest distance
over what was seen of the second stand beside it. Its uncertainty holds that of the scan's scale, where that is known.

So that the list stays of use, not every pair is in it: features that point the same way are held against
the largest of them, those on one line also against the next along it, and the largest of each way against one another.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from scipy.special import chdtri

from pipeline.features.relations.exactness import (
    chance_of_meeting,
    chance_of_one_line,
    chance_of_parallel,
    chance_of_square,
    crossing,
    meant,
    near,
)
from pipeline.features.relations.lines import Line, away, line_of
from pipeline.features.uncertainty import LEVEL, combined_covariance, with_scale
from pipeline.geometry import Floats, angle_between_lines, rejection
from pipeline.values import Feature, Relation

SAME_WAY = np.radians(1.0)
# Beyond these the statement would hold for nearly anything.
LOOSEST_TURN = np.radians(0.1)
LOOSEST_ANGLE = np.radians(0.3)
LOOSEST_GAP = 0.1
MOST_WAYS = 8


class Idea(NamedTuple):
    """What two features, by their ids, could be to one another: "direction" (parallel or square), "line", "meeting"."""

    what: str
    pair: frozenset[str]


class _Pair(NamedTuple):
    """Two lines, and what is to be said of them: "direction", "line", "distance" or "meeting"."""

    what: str
    a: Line
    b: Line


def ideas(features: Sequence[Feature]) -> dict[Idea, float]:
    """The chance of each pair's deviation if there is none: of all pairs that `relations` speaks of and that could have
    been meant to be parallel, square, on one line, or to meet.

    >>> from tests.features.made import plane
    >>> two = [plane('top', (0.0, 0.0, 40.0), (0.0, 0.0, 1.0)), plane('base', (0.0, 0.0, 0.0), (0.0, 0.0, -1.0))]
    >>> [(idea.what, sorted(idea.pair), found) for idea, found in ideas(two).items()]
    [('direction', ['base', 'top'], 1.0)]
    """
    out: dict[Idea, float] = {}
    for what, a, b in _pairs(features):
        if what == "meeting":
            gap, sigma = _gap(a, b)
            if sigma <= LOOSEST_GAP and near(abs(gap), sigma):
                out.setdefault(_idea(what, a, b), chance_of_meeting(a, b))
            continue
        if what == "line":
            out.setdefault(_idea(what, a, b), chance_of_one_line(a, b))
        if _idea("direction", a, b) not in out and _meant(a, b):
            alike = abs(float(a.direction @ b.direction)) > 0.5
            out[_idea("direction", a, b)] = chance_of_parallel(a, b) if alike else chance_of_square(a, b)
    return out


def relations(features: Sequence[Feature], chances: Mapping[Idea, float]) -> tuple[Relation, ...]:
    """The relations worth stating between features that are machined, well seen and of known uncertainty.

    Features whose fit was held to something are left out: what they were held to would come back as if measured.
    `chances` of what `ideas` gives, as they count among all that are held against nothing.

    >>> from tests.features.made import plane
    >>> two = [plane('top', (0.0, 0.0, 40.0), (0.0, 0.0, 1.0)), plane('base', (0.0, 0.0, 0.0), (0.0, 0.0, -1.0))]
    >>> [(found.kind, found.value) for found in relations(two, ideas(two))]
    [('parallel', 0.0), ('distance', 40.0)]
    """
    said = {"direction": _orientation, "line": _offset, "distance": _distance, "meeting": _meeting}
    found = [relation for pair in _pairs(features) for relation in said[pair.what](pair.a, pair.b, chances)]
    # The angle of two axes can come up twice, as their direction and as the end of a line of bores.
    return tuple(dict.fromkeys(found))


class Apart(NamedTuple):
    """How far two features are apart, mm: at the middle of the second, its standard uncertainty without that of the
    scan's scale, and the least and the largest over what was seen of it."""

    value: float
    sigma: float
    low: float
    high: float


def apart(one: Feature, other: Feature) -> Apart | None:
    """Distance of two planes or axes, or of an axis and a plane; None where one of them is not machined, not well seen,
    held to something, or of unknown uncertainty.

    >>> from tests.features.made import plane
    >>> two = [plane('top', (0.0, 0.0, 40.0), (0.0, 0.0, 1.0)), plane('base', (0.0, 0.0, 0.0), (0.0, 0.0, -1.0))]
    >>> apart(*two).value
    40.0
    """
    a, b = line_of(one), line_of(other)
    if a is None or b is None:
        return None
    if b.plane and not a.plane:
        a, b = b, a
    value, sigma = _apart(a, b)
    low, high = (abs(value), abs(value)) if b.reach is None else _over(a, b, b.reach)
    return Apart(abs(value), sigma, low, high)


def _pairs(features: Sequence[Feature]) -> list[_Pair]:
    lines = [line for feature in features if (line := line_of(feature)) is not None]
    lines.sort(key=lambda line: (-line.area, line.id))
    ways: list[list[Line]] = []
    for line in lines:
        for way in ways:
            if angle_between_lines(way[0].direction, line.direction) < SAME_WAY:
                way.append(line)
                break
        else:
            ways.append([line])
    out: list[_Pair] = []
    for way in ways:
        out += [_Pair("direction", way[0], other) for other in way[1:]]
        planes = [line for line in way if line.plane]
        out += [_Pair("distance", planes[0], other) for other in planes[1:]]
        groups = _on_nearly_one_line([line for line in way if not line.plane])
        for group in groups:
            reference = _reference(group)
            out += [_Pair("line", reference, other) for other in group if other is not reference]
            # Far from the reference its lever hides what is plain beside the next feature along the axis.
            in_turn = sorted(group, key=lambda line: float(line.point @ reference.direction))
            out += [_Pair("line", a, b) for a, b in pairwise(in_turn) if a is not reference and b is not reference]
        out += [_Pair("distance", _surest(groups[0], group[0]), group[0]) for group in groups[1:]]
    for k, way in enumerate(ways):
        # The first way is held against all others, so that each has at least one angle.
        for other_way in ways[k + 1 : None if k == 0 else MOST_WAYS]:
            out.append(_Pair("direction", way[0], other_way[0]))
            out += _between(way, other_way)
    return out


def _between(way: Sequence[Line], other: Sequence[Line]) -> list[_Pair]:
    """Of two ways: whether their main axes meet, and how far a main axis runs from a main plane along it."""
    first = {line.plane: line for line in reversed(way)}
    second = {line.plane: line for line in reversed(other)}
    out = []
    if False in first and False in second:
        out.append(_Pair("meeting", first[False], second[False]))
    square = abs(float(way[0].direction @ other[0].direction)) < np.sin(SAME_WAY)
    for plane, axis in ((first.get(True), second.get(False)), (second.get(True), first.get(False))):
        if square and plane is not None and axis is not None:
            out.append(_Pair("distance", plane, axis))
    return out


def _on_nearly_one_line(axes: Sequence[Line]) -> list[list[Line]]:
    """Axes (largest first) on nearly one line, by the first of each group."""
    groups: list[list[Line]] = []
    for line in axes:
        for group in groups:
            off, spread = away(group[0], line)
            if near(float(np.linalg.norm(off)), _worst(spread)):
                group.append(line)
                break
        else:
            groups.append([line])
    return groups


def _reference(group: Sequence[Line]) -> Line:
    """Of features on one axis, the one from which the others' offsets are known best: a short lever counts."""

    def doubt(a: Line) -> float:
        return sum(float(np.trace(away(a, b)[1])) for b in group if b is not a)

    return min(group, key=doubt)


def _surest(group: Sequence[Line], b: Line) -> Line:
    """Of features on one axis, the one from which the distance to b is known best."""
    return min(group, key=lambda a: _apart(a, b)[1])


def _idea(what: str, a: Line, b: Line) -> Idea:
    return Idea(what, frozenset((a.id, b.id)))


def _meant(a: Line, b: Line) -> bool:
    """Whether the two could have been meant to be parallel or square."""
    off, sigma = _off(a, b)
    return meant(off, sigma, a.span, b.span)


def _off(a: Line, b: Line) -> tuple[float, float]:
    """How far the two directions are from parallel or square, whichever is nearer, rad; and its standard uncertainty:
    the larger principal value where it is a pair."""
    cosine = float(a.direction @ b.direction)
    if abs(cosine) > 0.5:
        # The difference of directions across the first one, a pair of numbers.
        spread = combined_covariance([(a.turns, a.known), (b.turns, b.known)])
        return angle_between_lines(a.direction, b.direction), _worst(spread)
    sigma = _sigma(a, b, a.turns.T @ b.direction, b.turns.T @ a.direction)
    return abs(float(np.arcsin(np.clip(cosine, -1.0, 1.0)))), sigma


def _sigma(a: Line, b: Line, by_a: Floats, by_b: Floats) -> float:
    """Standard uncertainty of a figure that changes with the two features' local parameters by (k,) each."""
    return float(np.sqrt(combined_covariance([(by_a[None], a.known), (by_b[None], b.known)])[0, 0]))


def _worst(spread: Floats) -> float:
    return float(np.sqrt(np.linalg.eigvalsh(spread)[-1]))


def _orientation(a: Line, b: Line, chances: Mapping[Idea, float]) -> list[Relation]:
    """Parallel or perpendicular where that is supported, else the angle between the two surfaces or axes."""
    p = chances.get(_idea("direction", a, b))
    if p is None or p <= LEVEL:
        return _angle(a, b, p)
    off, sigma = _off(a, b)
    if sigma > LOOSEST_TURN:
        return []
    alike = abs(float(a.direction @ b.direction)) > 0.5
    # An axis along a plane's normal stands square on the plane: the words follow the surfaces, not the vectors.
    kind = "parallel" if alike == (a.plane == b.plane) else "perpendicular"
    return [Relation(kind, (a.id, b.id), off, sigma, p)]


def _angle(a: Line, b: Line, p: float | None) -> list[Relation]:
    """Angle, 0..pi/2, between two planes or axes, or between an axis and a plane."""
    cosine = float(a.direction @ b.direction)
    sign = 1.0 if cosine >= 0.0 else -1.0
    across_a = sign * b.direction - abs(cosine) * a.direction
    sine = float(np.linalg.norm(across_a))
    if sine == 0.0:
        return []
    across_b = a.direction - abs(cosine) * sign * b.direction
    by_a = a.turns.T @ (across_a / sine)
    by_b = b.turns.T @ (across_b / sine)
    sigma = _sigma(a, b, by_a, by_b)
    if sigma > LOOSEST_ANGLE:
        return []
    angle = angle_between_lines(a.direction, b.direction)
    return [Relation("angle", (a.id, b.id), np.pi / 2 - angle if a.plane != b.plane else angle, sigma, p)]


def _offset(a: Line, b: Line, chances: Mapping[Idea, float]) -> list[Relation]:
    """Coaxial where that is supported, else the angle of the axes, how far b's middle is off a's axis, or both."""
    off, spread = away(a, b)
    worst = _worst(spread)
    if worst > LOOSEST_GAP:
        return []
    p = chances[_idea("line", a, b)]
    distance = float(np.linalg.norm(off))
    if p > LEVEL:
        return [Relation("coaxial", (a.id, b.id), distance, worst, p)]
    turned = [found for found in _orientation(a, b, chances) if found.kind == "angle"]
    # Axes that cross at b's middle are no distance apart.
    aside = distance > np.sqrt(chdtri(2, LEVEL)) * worst or not turned
    return [*turned, *([replace(found, p_adjusted=p) for found in _distance(a, b, chances)] if aside else [])]


def _apart(a: Line, b: Line) -> tuple[float, float]:
    """Distance of b's point from a's plane, with its sign, or from a's axis; and its standard uncertainty."""
    if a.plane:
        gap = b.point - a.point
        by_a = a.turns.T @ gap - a.shifts.T @ a.direction
        by_b = b.shifts.T @ a.direction
        return float(gap @ a.direction), _sigma(a, b, by_a, by_b)
    off, spread = away(a, b)
    value = float(np.linalg.norm(off))
    unit = off / value if value > 0.0 else a.shifts[:, 0]
    return value, float(np.sqrt(unit @ spread @ unit))


def _distance(a: Line, b: Line, chances: Mapping[Idea, float]) -> list[Relation]:
    """Distance of b's middle from a's plane or axis; the two are parallel to a degree.

    Where they aren't parallel within their uncertainty, with the least and the largest distance over what was seen of
    b, or not at all where that isn't known.
    """
    value, sigma = _apart(a, b)
    if sigma > LOOSEST_GAP:
        return []
    stated = Relation("distance", (a.id, b.id), abs(value), with_scale(sigma, value, a.known.scale))
    if chances.get(_idea("direction", a, b), 0.0) > LEVEL:
        return [stated]
    return [] if b.reach is None else [replace(stated, over=_over(a, b, b.reach))]


def _over(a: Line, b: Line, reach: Floats) -> tuple[float, float]:
    """Least and largest distance of b from a's plane or axis over what was seen of it, `reach` from b's point."""
    gaps = b.point + reach - a.point
    if a.plane:
        heights = gaps @ a.direction
        low, high = float(heights.min()), float(heights.max())
        return max(low, -high, 0.0), max(high, -low)
    # Of a straight line from an axis: largest at an end, least where it passes the axis.
    start, end = rejection(gaps[0], a.direction), rejection(gaps[-1], a.direction)
    step = end - start
    share = float(np.clip(-start @ step / max(float(step @ step), 1e-300), 0.0, 1.0))
    ends = [float(np.linalg.norm(place)) for place in (start, end)]
    return float(np.linalg.norm(start + share * step)), max(ends)


def _gap(a: Line, b: Line) -> tuple[float, float]:
    """How far two axes pass each other, and its standard uncertainty, mm."""
    gap, by_a, by_b = crossing(a, b)
    return gap, _sigma(a, b, by_a, by_b)


def _meeting(a: Line, b: Line, chances: Mapping[Idea, float]) -> list[Relation]:
    """Intersecting where the axes' nearest distance doesn't stand out."""
    p = chances.get(_idea("meeting", a, b))
    if p is None or p <= LEVEL:
        return []
    gap, sigma = _gap(a, b)
    return [Relation("intersecting", (a.id, b.id), abs(gap), sigma, p)]
