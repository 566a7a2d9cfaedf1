"""What features have to do with each other: parallel, perpendicular, coaxial, intersecting, at an angle, at a distance.

A relation is stated only where the uncertainty supports it: a deviation is called parallel (perpendicular,
coaxial, intersecting) when zero lies within its 99 % region and when that region is small enough to mean
something; a deviation that is real is given as an angle or a distance instead. Features are taken as
independent of each other: neighbours share some of the scan's long waves, which makes the true uncertainty
between them smaller, not larger.

So that the list stays of use, not every pair is in it: features that point the same way are held against
the largest of them, and the largest of each way against one another.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from scipy.stats import chi2

from pipeline.geometry import Floats, basis_of, cross, rejection
from pipeline.surfaces import kind_of
from pipeline.values import Feature, Relation

LEVEL = 0.99
SAME_WAY = np.radians(1.0)
# Beyond these the statement would hold for nearly anything.
LOOSEST_TURN = np.radians(0.1)
LOOSEST_ANGLE = np.radians(0.3)
LOOSEST_GAP = 0.1
NEARLY_COAXIAL = 0.5
MOST_WAYS = 8


class _Line(NamedTuple):
    """A feature's point and direction with how they move: (3, k) by its k parameters, covariance (k, k)."""

    id: str
    plane: bool
    area: float
    point: Floats
    direction: Floats
    shifts: Floats
    turns: Floats
    covariance: Floats


def relations(features: Sequence[Feature]) -> tuple[Relation, ...]:
    """The relations worth stating between features that are machined, well seen and of known uncertainty.

    Features whose fit was held to something are left out: what they were held to would come back as if measured.

    >>> from tests.features.made import plane
    >>> two = [plane('top', (0.0, 0.0, 40.0), (0.0, 0.0, 1.0)), plane('base', (0.0, 0.0, 0.0), (0.0, 0.0, -1.0))]
    >>> [(found.kind, found.value) for found in relations(two)]
    [('parallel', 0.0), ('distance', 40.0)]
    """
    lines = [line for feature in features if (line := _line(feature)) is not None]
    lines.sort(key=lambda line: (-line.area, line.id))
    ways: list[list[_Line]] = []
    for line in lines:
        for way in ways:
            if abs(float(way[0].direction @ line.direction)) > np.cos(SAME_WAY):
                way.append(line)
                break
        else:
            ways.append([line])
    out: list[Relation | None] = []
    for way in ways:
        out += [_orientation(way[0], other) for other in way[1:]]
        planes = [line for line in way if line.plane]
        out += [_distance(planes[0], other) for other in planes[1:]]
        groups = _coaxial_groups([line for line in way if not line.plane])
        for group in groups:
            reference = _reference(group)
            out += [_offset(reference, other) for other in group if other is not reference]
        out += [_surest(groups[0], group[0]) for group in groups[1:]]
    for k, way in enumerate(ways[:MOST_WAYS]):
        for other_way in ways[k + 1 : MOST_WAYS]:
            out.append(_orientation(way[0], other_way[0]))
            out += _between(way, other_way)
    # The angle of two axes can come up twice, as their direction and as the end of a line of bores.
    return tuple(dict.fromkeys(relation for relation in out if relation is not None))


def _line(feature: Feature) -> _Line | None:
    known = feature.uncertainty
    usable = feature.machined and feature.confidence == "good" and feature.direction is not None
    if not usable or feature.constraint is not None or known.covariance is None or known.basis is None:
        return None
    assert feature.direction is not None
    u, v = known.basis
    place = {"u": u, "v": v, "w": feature.direction}
    turn = {"a": u, "b": v}
    zero = np.zeros(3)
    return _Line(
        feature.id,
        kind_of(feature).flat,
        feature.extent.area,
        np.asarray(feature.point, dtype=float),
        np.asarray(feature.direction, dtype=float),
        np.array([place.get(name, zero) for name in known.names]).T,
        np.array([turn.get(name, zero) for name in known.names]).T,
        known.covariance,
    )


def _orientation(a: _Line, b: _Line) -> Relation | None:
    """Parallel or perpendicular where that is supported, else the angle between the two surfaces or axes."""
    cosine = float(a.direction @ b.direction)
    mixed = a.plane != b.plane
    if abs(cosine) > np.cos(SAME_WAY):
        # The difference of directions across the first one, a pair of numbers.
        away = b.direction * np.sign(cosine) - a.direction
        spread = a.turns @ a.covariance @ a.turns.T + b.turns @ b.covariance @ b.turns.T
        size = float(np.linalg.norm(away))
        worst = float(np.sqrt(np.linalg.eigvalsh(spread)[-1]))
        if worst <= LOOSEST_TURN and _none_across(away, spread, a.direction):
            return Relation("perpendicular" if mixed else "parallel", (a.id, b.id), size, worst)
        return _angle(a, b, cosine)
    by_a, by_b = a.turns.T @ b.direction, b.turns.T @ a.direction
    sigma = float(np.sqrt(by_a @ a.covariance @ by_a + by_b @ b.covariance @ by_b))
    off = abs(float(np.arcsin(np.clip(cosine, -1.0, 1.0))))
    if sigma <= LOOSEST_TURN and off <= np.sqrt(chi2.ppf(LEVEL, 1)) * sigma:
        return Relation("parallel" if mixed else "perpendicular", (a.id, b.id), off, sigma)
    return _angle(a, b, cosine)


def _angle(a: _Line, b: _Line, cosine: float) -> Relation | None:
    """Angle, 0..pi/2, between two planes or axes, or between an axis and a plane."""
    sign = 1.0 if cosine >= 0.0 else -1.0
    across_a = sign * b.direction - abs(cosine) * a.direction
    sine = float(np.linalg.norm(across_a))
    if sine == 0.0:
        return None
    across_b = a.direction - abs(cosine) * sign * b.direction
    by_a = a.turns.T @ (across_a / sine)
    by_b = b.turns.T @ (across_b / sine)
    sigma = float(np.sqrt(by_a @ a.covariance @ by_a + by_b @ b.covariance @ by_b))
    if sigma > LOOSEST_ANGLE:
        return None
    angle = float(np.arctan2(sine, abs(cosine)))
    # Two directions that are not told apart from parallel have no angle to speak of.
    if angle < 2.0 * sigma:
        return None
    return Relation("angle", (a.id, b.id), np.pi / 2 - angle if a.plane != b.plane else angle, sigma)


def _none_across(deviation: Floats, spread: Floats, direction: Floats) -> bool:
    """Whether zero lies within the 99 % region of a deviation (3,) across a direction; covariance (3, 3)."""
    basis = basis_of(direction)
    pair = basis @ deviation
    flat = basis @ spread @ basis.T
    return bool(pair @ np.linalg.pinv(flat, hermitian=True) @ pair <= chi2.ppf(LEVEL, 2))


def _away(a: _Line, b: _Line) -> tuple[Floats, Floats]:
    """Place of b's point from a's axis, (3,), and its covariance."""
    gap = b.point - a.point
    along = float(gap @ a.direction)
    away = rejection(gap, a.direction)
    flat = np.eye(3) - np.outer(a.direction, a.direction)
    by_a = flat @ (a.shifts + along * a.turns)
    by_b = flat @ b.shifts
    return away, by_a @ a.covariance @ by_a.T + by_b @ b.covariance @ by_b.T


def _coaxial_groups(axes: Sequence[_Line]) -> list[list[_Line]]:
    """Axes (largest first) on nearly one line, by the first of each group."""
    groups: list[list[_Line]] = []
    for line in axes:
        for group in groups:
            away, spread = _away(group[0], line)
            loose = 3.0 * float(np.sqrt(np.linalg.eigvalsh(spread)[-1]))
            if np.linalg.norm(away) <= max(NEARLY_COAXIAL, loose):
                group.append(line)
                break
        else:
            groups.append([line])
    return groups


def _reference(group: Sequence[_Line]) -> _Line:
    """Of features on one axis, the one from which the others' offsets are known best: a short lever counts."""

    def doubt(a: _Line) -> float:
        return sum(float(np.trace(_away(a, b)[1])) for b in group if b is not a)

    return min(group, key=doubt)


def _surest(group: Sequence[_Line], b: _Line) -> Relation | None:
    """The distance from b to an axis by that feature on it from which it is known best."""
    stated = [relation for a in group if (relation := _distance(a, b)) is not None]
    return min(stated, key=lambda relation: relation.uncertainty or 0.0, default=None)


def _offset(a: _Line, b: _Line) -> Relation | None:
    """Coaxial where that is supported, else the angle of the axes or how far b's middle is off a's axis."""
    away, spread = _away(a, b)
    worst = float(np.sqrt(np.linalg.eigvalsh(spread)[-1]))
    if worst > LOOSEST_GAP:
        return None
    if _none_across(away, spread, a.direction):
        turned = _orientation(a, b)
        if turned is None or turned.kind == "parallel":
            return Relation("coaxial", (a.id, b.id), float(np.linalg.norm(away)), worst)
        return turned
    return _distance(a, b)


def _distance(a: _Line, b: _Line) -> Relation | None:
    """Distance of b's point from a's plane or axis; the two are parallel to a degree."""
    if a.plane:
        gap = b.point - a.point
        value = float(gap @ a.direction)
        by_a = a.turns.T @ gap - a.shifts.T @ a.direction
        by_b = b.shifts.T @ a.direction
        sigma = float(np.sqrt(by_a @ a.covariance @ by_a + by_b @ b.covariance @ by_b))
    else:
        away, spread = _away(a, b)
        value = float(np.linalg.norm(away))
        unit = away / value if value > 0.0 else a.shifts[:, 0]
        sigma = float(np.sqrt(unit @ spread @ unit))
    return None if sigma > LOOSEST_GAP else Relation("distance", (a.id, b.id), abs(value), sigma)


def _between(way: Sequence[_Line], other: Sequence[_Line]) -> list[Relation | None]:
    """Of two ways: whether their main axes meet, and how far a main axis runs from a main plane along it."""
    first = {line.plane: line for line in reversed(way)}
    second = {line.plane: line for line in reversed(other)}
    out: list[Relation | None] = []
    if False in first and False in second:
        out.append(_meeting(first[False], second[False]))
    square = abs(float(way[0].direction @ other[0].direction)) < np.sin(SAME_WAY)
    for plane, axis in ((first.get(True), second.get(False)), (second.get(True), first.get(False))):
        if square and plane is not None and axis is not None:
            out.append(_distance(plane, axis))
    return out


def _meeting(a: _Line, b: _Line) -> Relation | None:
    """Intersecting where the axes' nearest distance is not told apart from nothing."""
    across = cross(a.direction, b.direction)
    sine = float(np.linalg.norm(across))
    across /= sine
    gap = b.point - a.point
    value = float(gap @ across)
    # Where on each axis the two come nearest: turns work on those levers.
    along_a = float(cross(gap, b.direction) @ across) / sine
    along_b = float(cross(gap, a.direction) @ across) / sine
    by_a = (a.shifts + along_a * a.turns).T @ across
    by_b = (b.shifts + along_b * b.turns).T @ across
    sigma = float(np.sqrt(by_a @ a.covariance @ by_a + by_b @ b.covariance @ by_b))
    if sigma > LOOSEST_GAP or abs(value) > np.sqrt(chi2.ppf(LEVEL, 1)) * sigma:
        return None
    return Relation("intersecting", (a.id, b.id), abs(value), sigma)
