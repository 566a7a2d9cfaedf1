"""Datum reference frames from recovered features, by the rules of ISO 5459.

Each datum stands for its situation feature: a plane for a face, an axis for a cylinder, a point for a sphere,
an axis and a point for a cone or torus. They are taken in their order, and each one takes away of the six
freedoms of a rigid body only what those before it left:

    directions  the first direction there is fixes two turns, the first one that is not parallel to it the third;
                a place can do the same (a hole beside the axis stops the turn about it)
    places      a plane fixes one shift, an axis two, a point three, less what is fixed already

A datum that takes nothing away is refused, since it could only contradict the others. A secondary or tertiary
datum within SNAP of square or parallel to those before it is taken as exactly so, as the standard has it: its
plane or axis then passes through the middle of what was seen of it.

The frame's z looks out of datum A (a face's outward normal, or along an axis), x comes from the datum that
stops the turn about z, y = z x x. The origin is where the datums fix it: on A; on B in the shifts that A left;
on C in the rest. Points and directions are in scan coordinates, mm and rad.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import permutations, product
from typing import Any

import numpy as np

from pipeline.errors import SettingsError
from pipeline.features.datums.designation import (
    ALIKE,
    SNAP,
    Choice,
    Situation,
    cross_axes,
    mean_direction,
    situation,
)
from pipeline.geometry import (
    Floats,
    angle_between_lines,
    basis_of,
    cross,
    growing_sense,
    into_frame,
    moved,
    rejection,
    rotation_angle,
    small_motion,
    turn_levers,
    turned,
    undone,
    unit,
)
from pipeline.surfaces import KINDS, Shape, shape_of
from pipeline.values import Datum, Feature, Frame, InPart

LETTERS = "ABC"
LEVER = 0.02  # a place nearer to the axis of turn than this share of the part's reach can't stop the turn
STEP = 1e-6  # mm and rad, of the difference quotients

_TURNS = ("rx", "ry", "rz")
_SHIFTS = ("tx", "ty", "tz")


@dataclass(frozen=True)
class Solution:
    """matrix (4, 4) scan -> part; what each datum took away; what is still free; directions as idealised."""

    matrix: Floats
    taken: tuple[tuple[str, ...], ...]
    free: tuple[str, ...]


def solve(datums: Sequence[Situation], reach: float, z: str | None = None, x: str | None = None) -> Solution:
    """The frame that datums A, B, C in their order fix; `reach` mm is half the part's size.

    z, x  the user's words for two axes: "out of A", "into A" (faces), "along B", "against B" (axes; of a
          face the line in which it cuts the plane square to z), "towards C", "away from C" (from the origin)

    Raises SettingsError when a datum takes nothing away, or the axes' words don't fit.
    """
    state = _State(reach)
    taken_directions = [state.take(letter, d) for letter, d in zip(LETTERS, datums, strict=False)]
    state.fill_in(datums[0])
    rows = _axes(state, datums, z, x)
    taken, free = _named(rows, taken_directions, state)
    return Solution(into_frame(rows, state.origin), taken, free)


class _State:
    """What the datums so far have fixed: directions p, q and the origin but for shifts in `loose`."""

    def __init__(self, reach: float) -> None:
        self.reach = reach
        self.p: Floats | None = None
        self.q: Floats | None = None
        self.origin = np.zeros(3)
        self.loose = np.eye(3)  # columns: directions in which the origin may still shift
        self.ideal: list[Floats | None] = []
        self.guessed_turns: list[Floats] = []

    def take(self, letter: str, datum: Situation) -> tuple[list[Floats], list[Floats]]:
        """Turns and shifts (as vectors) that this datum takes away."""
        turns = self._take_direction(datum)
        ideal = self._idealised(datum.direction)
        self.ideal.append(ideal)
        shifts = self._take_place(datum, ideal)
        if datum.kind != "plane":
            turns += self._take_lever(datum)
        if not turns and not shifts:
            raise SettingsError(
                f"Datum {letter} takes away no freedom that the datums before it left ({self._why(datum)}); "
                f"choose another {letter} or leave it out."
            )
        return turns, shifts

    def _take_direction(self, datum: Situation) -> list[Floats]:
        d = datum.direction
        if d is None or self.q is not None:
            return []
        if self.p is None:
            self.p = d
            return list(cross_axes(d))
        if angle_between_lines(d, self.p) < ALIKE:
            return []
        self.q = unit(rejection(d, self.p))
        return [self.p]

    def _idealised(self, d: Floats | None) -> Floats | None:
        """The direction made exactly square or parallel to those before, where it nearly is."""
        if d is None or self.p is None:
            return d
        axes = [self.p] if self.q is None else [self.p, self.q, cross(self.p, self.q)]
        for axis in axes:
            if angle_between_lines(d, axis) < SNAP:
                return axis * np.sign(d @ axis)
        if abs(d @ self.p) < np.sin(SNAP):
            return unit(rejection(d, self.p))
        return d

    def _take_place(self, datum: Situation, ideal: Floats | None) -> list[Floats]:
        if datum.kind == "plane":
            assert ideal is not None
            rows = ideal[None]
        elif datum.kind == "axis":
            assert ideal is not None
            rows = np.array(cross_axes(ideal))
        else:
            rows = np.eye(3)
        if self.loose.shape[1] == 0:
            return []
        u, s, vt = np.linalg.svd(rows @ self.loose)
        rank = int(np.sum(s > np.sin(ALIKE)))
        missing = rows @ (datum.point - self.origin)
        step = vt[:rank].T @ ((u[:, :rank].T @ missing) / s[:rank])
        self.origin = self.origin + self.loose @ step
        taken = self.loose @ vt[:rank].T
        self.loose = self.loose @ vt[rank:].T
        return list(taken.T)

    def _take_lever(self, datum: Situation) -> list[Floats]:
        """A place beside the axis (or point) about which the part could still turn stops that turn."""
        if self.q is not None:
            return []
        off = datum.point - self.origin
        if self.p is None:
            if self.loose.shape[1] or np.linalg.norm(off) < LEVER * self.reach:
                return []
            self.p = unit(off)
            return list(cross_axes(self.p))
        across = self.loose - np.outer(self.p, self.p @ self.loose)
        if np.linalg.norm(across) > 1e-6:
            return []
        off = rejection(off, self.p)
        if np.linalg.norm(off) < LEVER * self.reach:
            return []
        self.q = unit(off)
        return [self.p]

    def _why(self, datum: Situation) -> str:
        if datum.direction is not None and self.p is not None and angle_between_lines(datum.direction, self.p) < ALIKE:
            if datum.kind == "plane":
                return "it lies parallel to one of them, or within 10 degrees of that"
            return "its axis coincides with theirs, or lies too near to it to stop the turn about it"
        return "all that it could fix is fixed already"

    def fill_in(self, first: Situation) -> None:
        """What no datum fixes is taken from the scan's own axes and the first datum's middle."""
        if self.p is None:
            self.p = np.array([0.0, 0.0, 1.0])
            self.guessed_turns += list(cross_axes(self.p))
        if self.q is None:
            self.q = basis_of(self.p)[0]
            self.guessed_turns.append(self.p)
        if self.loose.shape[1]:
            self.origin = self.origin + self.loose @ (self.loose.T @ (first.point - self.origin))


def _axes(state: _State, datums: Sequence[Situation], z: str | None, x: str | None) -> Floats:
    """(3, 3) rows x, y, z."""
    assert state.p is not None
    assert state.q is not None
    p = _signed(state.p, state, datums)
    q = _signed(state.q, state, datums)
    up = None if z is None else _worded("z", z, state, datums, None)
    across = None
    if x is not None:
        square_to = up if up is not None else p
        across = _worded("x", x, state, datums, square_to)
        if up is None and angle_between_lines(across, p) < ALIKE:
            up = q
    if up is None:
        up = p
    if across is None:
        across = q if angle_between_lines(q, up) > ALIKE else p
    flat = rejection(across, up)
    if np.linalg.norm(flat) < np.sin(ALIKE):
        raise SettingsError(f"The frame's x ({x!r}) runs along its z ({z or 'out of A'!r}); take x from another datum.")
    flat = unit(flat)
    return np.array([flat, cross(up, flat), up])


def _signed(axis: Floats, state: _State, datums: Sequence[Situation]) -> Floats:
    """Which way along an axis: out of a face that is square to it; else from the origin to where the datum that
    runs along it was seen; failing that the way in which its largest scan coordinate grows."""
    along = [
        (d, i)
        for d, i in zip(datums, state.ideal, strict=True)
        if i is not None and angle_between_lines(i, axis) < SNAP
    ]
    for datum, ideal in along:
        if datum.kind == "plane":
            return axis * np.sign(ideal @ axis)
    for datum, _ in along:
        ahead = float((datum.point - state.origin) @ axis)
        if abs(ahead) > LEVER * state.reach:
            return axis * np.sign(ahead)
    return axis if not along else axis * growing_sense(axis)


def _worded(name: str, text: str, state: _State, datums: Sequence[Situation], square_to: Floats | None) -> Floats:
    match = re.fullmatch(r"\s*(out of|into|along|against|towards|away from)\s+(?:datum\s+)?([A-C])\s*", text, re.I)
    if not match:
        raise SettingsError(
            f'The frame\'s {name} can\'t be {text!r}; write "out of A", "into A", "along B", "against B", '
            '"towards C" or "away from C".'
        )
    verb, letter = match[1].lower(), match[2].upper()
    index = LETTERS.index(letter)
    if index >= len(datums):
        raise SettingsError(f"The frame's {name} is {text!r}, but there is no datum {letter}; choose one first.")
    datum, ideal = datums[index], state.ideal[index]
    sign = -1.0 if verb in ("into", "against", "away from") else 1.0
    if verb in ("towards", "away from"):
        off = datum.point - state.origin
        if square_to is not None:
            off = rejection(off, square_to)
        if np.linalg.norm(off) < LEVER * state.reach:
            raise SettingsError(f"The frame's {name} is {text!r}, but the origin lies on {letter}; choose another.")
        return sign * unit(off)
    if ideal is None:
        raise SettingsError(f'The frame\'s {name} is {text!r}, but {letter} is a point; write "towards {letter}".')
    if verb in ("out of", "into"):
        if datum.kind != "plane":
            raise SettingsError(
                f"The frame's {name} is {text!r}, but {letter} is an axis; "
                f'write "along {letter}" or "against {letter}".'
            )
        return sign * ideal
    if datum.kind != "plane":
        return sign * _signed(ideal, state, datums)
    if square_to is None or angle_between_lines(ideal, square_to) < ALIKE:
        raise SettingsError(
            f'The frame\'s {name} is {text!r}, but {letter} is a face; write "out of {letter}" or "into {letter}".'
        )
    return sign * unit(cross(ideal, square_to))


def _named(
    rows: Floats, taken: Sequence[tuple[list[Floats], list[Floats]]], state: _State
) -> tuple[tuple[tuple[str, ...], ...], tuple[str, ...]]:
    """The freedoms that each datum took, and those left, by the part axis each lies along most."""
    open_turns, open_shifts = list(_TURNS), list(_SHIFTS)

    def pick(vectors: list[Floats], names: tuple[str, ...], still: list[str]) -> list[str]:
        if not vectors:
            return []
        share = np.sum((np.array(vectors) @ rows.T) ** 2, axis=0)
        found = sorted(still, key=lambda n: -share[names.index(n)])[: len(vectors)]
        for name in found:
            still.remove(name)
        return found

    order = {name: i for i, name in enumerate((*_SHIFTS, *_TURNS))}
    result = []
    for turns, shifts in taken:
        names = pick(shifts, _SHIFTS, open_shifts) + pick(turns, _TURNS, open_turns)
        result.append(tuple(sorted(names, key=order.__getitem__)))
    return tuple(result), tuple(open_shifts + open_turns)


# ---------------------------------------------------------------------------------------------------------------
# The frame of chosen features, with what is known of it


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
    """Half the size of the box round the features, mm."""
    if not features:
        return 1.0
    spread = []
    for f in features:
        half = 0.5 * (f.extent.length or 0.0) + (f.radius or 0.0) + (f.major_radius or 0.0)
        if f.kind == "plane":
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
    """The plane, axis or point that each of the chosen datums comes to, in scan coordinates."""
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
            if name in ("r", "R", "h") and shape.kind != "cone":
                columns.append(np.zeros(6))
                continue
            ends = []
            for sign in (1.0, -1.0):
                step = np.zeros(len(uncertainty.names))
                step[k] = sign * STEP
                changed = {**shapes, ident: _stepped(shape, step, uncertainty.basis)}
                ends.append(small_motion(solve_chosen(datums, changed, weights).matrix @ back))
            columns.append((ends[0] - ends[1]) / (2.0 * STEP))
        gains[ident] = np.array(columns).T
    return gains


def _stepped(shape: Shape, step: Floats, basis: Floats | None) -> Shape:
    stepped = KINDS[shape.kind].moved(shape, step, basis)
    if shape.kind == "cone" and stepped.radius is not None and shape.radius is not None and shape.half_angle:
        # A cone's point as a place is where its radius is what it is now.
        assert stepped.direction is not None
        assert stepped.half_angle is not None
        shift = (shape.radius - stepped.radius) / np.tan(stepped.half_angle)
        stepped = replace(stepped, point=stepped.point + shift * stepped.direction)
    return stepped


def motion_between(a: Floats, b: Floats) -> tuple[float, float, bool]:
    """How far apart two frames (scan -> part) are: mm between their origins, rad between their axes, and whether the
    axes have to be named anew (x called y, and so on) for them to come that near to one another."""
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
    """
    point = moved(frame.matrix, feature.point)
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
    place, turn = total[:3, :3], total[3:, 3:]
    if direction is not None:
        # Along the axis, or within the face, the point means nothing; nor does a turn about the direction.
        across = np.eye(3) - np.outer(direction, direction)
        keep = np.outer(direction, direction) if feature.kind == "plane" else across
        if feature.kind != "torus":
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
