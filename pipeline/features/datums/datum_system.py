"""The datum system: the frame of designated features with what is known of it, and features in that frame.

Points and directions are in scan coordinates unless a name says otherwise, mm and rad.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import permutations, product
from typing import Any

import numpy as np

from pipeline.features.datums.designation import Choice
from pipeline.features.datums.freedoms import LETTERS, Solution, solve
from pipeline.features.datums.situation_features import Situation, cross_axes, mean_direction, situation
from pipeline.geometry import Floats, cross, rotation_angle, small_motion, transformed, turn_levers, turned, undone
from pipeline.surfaces import SIZES, Shape, kind_of, moved, shape_of
from pipeline.values import Datum, Feature, Frame, InPart

STEP = 1e-6  # mm and rad, of the difference quotients


@dataclass(frozen=True)
class Datums:
    """Chosen datums over a set of features; what `frame_of` and `in_part` work on."""

    choices: tuple[Choice, ...]
    features: tuple[Feature, ...]
    reach: float
    z: str | None = None
    x: str | None = None

    def shapes(self) -> dict[str, Shape]:
        wanted = {m for c in self.choices for m in c.members}
        return {f.id: shape_of(f) for f in self.features if f.id in wanted}


def reach_of(features: Sequence[Feature]) -> float:
    """Half the size of the box round the features, mm.

    >>> from tests.features.made import plane
    >>> reach_of([plane('base', (0.0, 0.0, 0.0), (0.0, 0.0, -1.0)), plane('top', (60.0, 0.0, 80.0), (0.0, 0.0, 1.0))])
    65.27174151502088
    """
    if not features:
        return 1.0
    spread = []
    for f in features:
        half = 0.5 * (f.extent.length or 0.0) + (f.radius or 0.0) + (f.major_radius or 0.0)
        if kind_of(f).flat:
            half = float(np.sqrt(f.extent.area / np.pi))
        spread += [f.point - half / np.sqrt(3.0), f.point + half / np.sqrt(3.0)]
    return max(0.5 * float(np.linalg.norm(np.ptp(np.array(spread), axis=0))), 1e-6)


def axis_weights(datums: Datums) -> dict[str, Floats]:
    """Inverse covariance of (u, v, a, b) in the axes that `situation` uses for a common axis, where known."""
    by_id = {f.id: f for f in datums.features}
    out: dict[str, Any] = {}
    for choice in datums.choices:
        pair = [by_id[m] for m in choice.members]
        if choice.make != "common axis" or not all(_known(f) for f in pair):
            continue
        w = mean_direction([shape_of(f) for f in pair])
        axes = np.array(cross_axes(w))
        for f in pair:
            u = f.uncertainty
            assert u.covariance is not None
            assert u.basis is not None
            assert f.direction is not None
            index = [u.names.index(n) for n in ("u", "v", "a", "b")]
            turn = axes @ np.asarray(u.basis).T
            full = np.zeros((4, 4))
            full[:2, :2], full[2:, 2:] = turn, np.sign(f.direction @ w) * turn
            out[f.id] = np.linalg.inv(full @ u.covariance[np.ix_(index, index)] @ full.T)
    return out


def _known(feature: Feature) -> bool:
    return feature.uncertainty.covariance is not None and feature.uncertainty.basis is not None


def solve_chosen(datums: Datums, shapes: Mapping[str, Shape], weights: Mapping[str, Floats]) -> Solution:
    """The frame for these shapes of the datums' members."""
    found = [situation(c, shapes, weights) for c in datums.choices]
    return solve(found, datums.reach, datums.z, datums.x)


def situations(datums: Datums) -> tuple[Situation, ...]:
    """The plane, axis or point that each of the chosen datums comes to, in scan coordinates.

    >>> from tests.features.made import bore
    >>> from pipeline.features.datums import choose
    >>> features = (bore('seat', (10.0, 0.0, 5.0), (0.0, 0.0, 1.0), 12.5),)
    >>> found = situations(Datums((choose('seat', features, {}),), features, reach_of(features)))[0]
    >>> found.kind.value, found.direction.tolist()
    ('axis', [0.0, 0.0, 1.0])
    """
    shapes, weights = datums.shapes(), axis_weights(datums)
    return tuple(situation(c, shapes, weights) for c in datums.choices)


def frame_of(datums: Datums) -> tuple[Frame, dict[str, Floats]]:
    """The frame with its covariance, and how it moves with each member's local parameters.

    The second result maps a feature's id to (6, k): the small motion (tx ty tz rx ry rz, part coordinates, mm and
    rad) by which the frame errs for each unit of the feature's error. The covariance follows by the law of
    propagation (JCGM 100:2008, 5.2) from the features' own, those of different features taken as independent.
    """
    shapes, weights = datums.shapes(), axis_weights(datums)
    solution = solve_chosen(datums, shapes, weights)
    gains = _gains(datums, shapes, weights, solution)
    by_id = {f.id: f for f in datums.features}
    reasons: list[str] = []
    covariance: Floats | None = np.zeros((6, 6))
    for ident, gain in gains.items():
        known = by_id[ident].uncertainty.covariance
        if known is None:
            covariance = None
            reasons.append(f"the frame's uncertainty is not known, because that of {ident} is not")
            break
        assert covariance is not None
        covariance += gain @ known @ gain.T
    if any(c.make == "point" for c in datums.choices):
        covariance = None
        reasons.append("the frame's uncertainty is not known, because that of a typed point is not")
    if solution.free:
        reasons.append(f"still free: {' '.join(solution.free)}; taken from the scan's own axes")
        covariance = None
    named = tuple(
        Datum(letter, choice.label, taken)
        for letter, choice, taken in zip(LETTERS, datums.choices, solution.taken, strict=False)
    )
    return Frame(solution.matrix, named, not solution.free, tuple(reasons), covariance), gains


def _gains(
    datums: Datums, shapes: Mapping[str, Shape], weights: Mapping[str, Floats], solution: Solution
) -> dict[str, Floats]:
    by_id = {f.id: f for f in datums.features}
    back = undone(solution.matrix)
    gains: dict[str, Floats] = {}
    for ident, shape in shapes.items():
        uncertainty = by_id[ident].uncertainty
        if not _known(by_id[ident]):
            gains[ident] = np.zeros((6, 0))
            continue
        columns = []
        for k, name in enumerate(uncertainty.names):
            if name in SIZES and not kind_of(shape).tapered:
                columns.append(np.zeros(6))
                continue
            ends = []
            for sign in (1.0, -1.0):
                step = np.zeros(len(uncertainty.names))
                step[k] = sign * STEP
                nearby = {**shapes, ident: _moved(shape, step, uncertainty.basis)}
                ends.append(small_motion(solve_chosen(datums, nearby, weights).matrix @ back))
            columns.append((ends[0] - ends[1]) / (2.0 * STEP))
        gains[ident] = np.array(columns).T
    return gains


def _moved(shape: Shape, step: Floats, basis: Floats | None) -> Shape:
    nearby = moved(shape, step, basis)
    if kind_of(shape).tapered and nearby.radius is not None and shape.radius is not None and shape.half_angle:
        # The point of what tapers is, as a place, where its radius is what it is now.
        assert nearby.direction is not None
        assert nearby.half_angle is not None
        shift = (shape.radius - nearby.radius) / np.tan(nearby.half_angle)
        nearby = replace(nearby, point=nearby.point + shift * nearby.direction)
    return nearby


def motion_between(a: Floats, b: Floats) -> tuple[float, float, bool]:
    """How far apart two frames (scan -> part) are: mm between their origins, rad between their axes, and whether the
    axes have to be named anew (x called y, and so on) for them to come that near to one another.

    >>> aside = np.eye(4)
    >>> aside[0, 3] = 0.25
    >>> motion_between(np.eye(4), aside)
    (0.25, 0.0, False)
    """
    between = b[:3, :3] @ a[:3, :3].T
    origin = undone(b)[:3, 3] - undone(a)[:3, 3]
    named = [np.eye(3), *_quarter_turns()]
    turns = [rotation_angle(between @ q.T) for q in named]
    best = int(np.argmin(turns))
    # The same names unless other ones bring the axes clearly nearer.
    best = best if turns[best] < turns[0] - np.radians(1.0) else 0
    return float(np.linalg.norm(origin)), turns[best], best != 0


def _quarter_turns() -> list[Floats]:
    """The 24 ways to name three square axes, right-handed."""
    found = []
    for order in permutations(range(3)):
        for signs in product((1.0, -1.0), repeat=3):
            matrix = np.zeros((3, 3))
            matrix[range(3), order] = signs
            if np.linalg.det(matrix) > 0:
                found.append(matrix)
    return found


def in_part(feature: Feature, frame: Frame, gains: Mapping[str, Floats], by_id: Mapping[str, Feature]) -> InPart:
    """A feature in part coordinates, its uncertainty against the frame: what the datums share with it cancels.

    So datum A's own height is exact by definition, and a bore's place carries both its own error and the
    frame's at that distance from the origin.

    >>> from tests.features.made import block
    >>> from pipeline.features.datums import proposals
    >>> features = block()
    >>> frame = proposals(features, ())[0].frame
    >>> place = in_part(features[0], frame, {}, {f.id: f for f in features})
    >>> place.feature, place.point.round(9).tolist()
    ('top', [-2.0, 3.0, 0.0])
    """
    point = transformed(frame.matrix, feature.point)
    direction = None if feature.direction is None else turned(frame.matrix, feature.direction)
    if frame.covariance is None or not _known(feature):
        return InPart(feature.id, point, direction, None, None, None)
    to_place = np.hstack([np.eye(3), turn_levers(point[None])[0]])
    to_turn = np.hstack([np.zeros((3, 3)), np.eye(3)])
    own = _own(feature, frame.matrix)
    total = np.zeros((6, 6))
    for ident in {*gains, feature.id}:
        other = by_id[ident].uncertainty
        assert other.covariance is not None
        rows = np.zeros((6, len(other.names)))
        if ident in gains:
            rows += np.vstack([to_place, to_turn]) @ gains[ident]
        if ident == feature.id:
            rows += own
        total += rows @ other.covariance @ rows.T
    # The scan's scale stretches the part from its origin, and turns nothing.
    away = feature.uncertainty.scale * point
    place, turn = total[:3, :3] + np.outer(away, away), total[3:, 3:]
    if direction is not None:
        # Along the axis, or within the face, the point means nothing; nor does a turn about the direction.
        across = np.eye(3) - np.outer(direction, direction)
        kind = kind_of(feature)
        keep = np.outer(direction, direction) if kind.flat else across
        if not kind.centred:
            place = keep @ place @ keep
        turn = across @ turn @ across
    spread = None if direction is None else float(np.sqrt(max(np.linalg.eigvalsh(turn)[-1], 0.0)))
    return InPart(feature.id, point, direction, float(np.sqrt(max(np.linalg.eigvalsh(place)[-1], 0.0))), spread, place)


def _own(feature: Feature, matrix: Floats) -> Floats:
    """(6, k) shift of the point and turn of the direction, part axes, by the feature's own parameters."""
    u = feature.uncertainty
    assert u.basis is not None
    w = cross(u.basis[0], u.basis[1]) if feature.direction is None else feature.direction
    shift = {"u": u.basis[0], "v": u.basis[1], "w": w}
    turn = {"a": cross(w, u.basis[0]), "b": cross(w, u.basis[1])}
    rows = np.zeros((6, len(u.names)))
    for k, name in enumerate(u.names):
        if name in shift:
            rows[:3, k] = turned(matrix, shift[name])
        if name in turn:
            rows[3:, k] = turned(matrix, turn[name])
    return rows
