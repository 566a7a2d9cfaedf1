"""Placing: what of a part comes to lie on what of another one, line by line.

Each line takes of the six freedoms of a rigid body what the lines before it left, as datums do (ISO 5459): the first
direction takes two turns, the first that isn't parallel to it the third; a plane takes one shift, an axis two, a point
three; and where nothing but a turn about an axis is left, a place beside that axis stops it. What a line would still
have to move, but can't, is told; a line that takes nothing, or that would have to move more than can be meant, is
refused.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.errors import SettingsError
from pipeline.fitup.items import Item, Key, about
from pipeline.geometry import (
    Floats,
    angle_between_lines,
    basis_of,
    cross,
    rejection,
    rigid,
    small_motion,
    transformed,
    turned,
    undone,
    unit,
)
from pipeline.surfaces import SituationFeature

SNAP = np.radians(5.0)  # so far from parallel, a direction is taken as meant to be parallel
ALIKE = np.radians(10.0)  # nearer than this to parallel gives no second direction
APART = 1.0  # mm that a line may be short of its place by what lines before it hold
LEVER = 1.0  # mm: nearer to the axis of a turn, a place can't stop it
_STEP = 0.1  # of a standard uncertainty, for derivatives


@dataclass(frozen=True)
class Line:
    """One line of a placing, both items in their parts' own coordinates before this line.

    own      what of the part that is placed
    target   what of the other part it comes to, where that stands
    opposed  the two directions come to look at each other; else the same way
    gap      mm from the target along its direction, and its standard uncertainty
    turn     rad from the target's direction to its own, about the axis that lines before left it to turn about, and
             its standard uncertainty: such a line holds no place; None: it comes to the target
    words    what the user wrote, for errors
    """

    own: Item
    target: Item
    opposed: bool
    words: str
    gap: float = 0.0
    gap_uncertainty: float = 0.0
    turn: float | None = None
    turn_uncertainty: float = 0.0


@dataclass(frozen=True)
class Left:
    """What a line of a placing couldn't move any more: mm and rad, 0 where nothing."""

    words: str
    shift: float
    angle: float


@dataclass(frozen=True)
class Pose:
    """Where a part stands.

    matrix  (4, 4) part -> where the parts are put together
    taken   freedoms that each line took, in words
    free    those that are left, in words
    moves   by key, (6,) shift mm of the origin and turn rad, by one standard uncertainty
    unsure  why nothing can be said of how well it is known; "" where `moves` say it
    left    of the lines that aren't held exactly
    """

    matrix: Floats
    taken: tuple[tuple[str, ...], ...]
    free: tuple[str, ...]
    moves: dict[Key, Floats]
    unsure: str
    left: tuple[Left, ...]


def placed(lines: Sequence[Line], start: Floats | None = None) -> Pose:
    """The pose that lines give in their order, and what of it isn't known exactly.

    start  (4, 4) where the part stands before; what no line takes stays as it is there

    Raises SettingsError for a line that takes nothing or contradicts those before it.

    >>> up = np.array([0.0, 0.0, 1.0])
    >>> face, table = (Item(SituationFeature.PLANE, np.array([0, 0, z]), up) for z in (5.0, 20.0))
    >>> pose = placed([Line(face, table, False, "face on table", gap=1.0)])
    >>> pose.matrix[:3, 3].tolist(), pose.taken[0]
    ([0.0, 0.0, 16.0], ('turn about x', 'turn about y', 'shift along z'))
    """
    begin = np.eye(4) if start is None else start
    solver = _solved(lines, begin)
    keys = dict.fromkeys(key for line in lines for item in (line.own, line.target) for key in item.moves)
    # From where the part stands the turns are small: half a turn has no axis of its own that would change smoothly.
    again = _solved(lines, solver.pose).pose
    moves: dict[Key, Floats] = {}
    for key in keys:
        other = [replace(x, own=x.own.moved(key, _STEP), target=x.target.moved(key, _STEP)) for x in lines]
        moves[key] = _difference(again, _solved(other, solver.pose).pose)
    for n, line in enumerate(lines):
        if line.gap_uncertainty > 0.0:
            other = list(lines)
            other[n] = replace(line, gap=line.gap + _STEP * line.gap_uncertainty)
            moves["gap", line.words, str(n)] = _difference(again, _solved(other, solver.pose).pose)
        if line.turn is not None and line.turn_uncertainty > 0.0:
            other = list(lines)
            other[n] = replace(line, turn=line.turn + _STEP * line.turn_uncertainty)
            moves["turn", line.words, str(n)] = _difference(again, _solved(other, solver.pose).pose)
    unsure = next((item.unsure for line in lines for item in (line.own, line.target) if item.unsure), "")
    return Pose(
        solver.pose, tuple(tuple(map(_named, taken)) for taken in solver.taken), solver.free(), moves, unsure,
        tuple(solver.left),
    )  # fmt: skip


def _difference(pose: Floats, other: Floats) -> Floats:
    return small_motion(other @ undone(pose)) / _STEP


def _solved(lines: Sequence[Line], start: Floats) -> _Solver:
    solver = _Solver(start)
    for line in lines:
        solver.take(line)
    return solver


def _named(freedom: tuple[str, Floats]) -> str:
    what, along = freedom
    for name, axis in zip("xyz", np.eye(3), strict=True):
        if abs(along @ axis) > 1.0 - 1e-6:
            return f"{what} {name}"
    return f"{what} [{', '.join(f'{v + 0.0:.3g}' for v in along)}]"


class _Solver:
    def __init__(self, start: Floats) -> None:
        self.pose = start
        self.turns = 3
        self.axis = np.array([0.0, 0.0, 1.0])  # the one turn that is left, where it is one
        self.sense = 1.0  # of it with the direction of what it was taken from
        self.pivot = transformed(start, np.zeros(3))  # what turning leaves where it is
        self.loose = np.eye(3)  # columns: shifts that are left
        self.taken: list[list[tuple[str, Floats]]] = []
        self.left: list[Left] = []

    def free(self) -> tuple[str, ...]:
        turns = [("turn about", axis) for axis in (np.eye(3) if self.turns == 3 else [self.axis] * self.turns)]
        return tuple(map(_named, [*turns, *(("shift along", d) for d in _steady(self.loose))]))

    def take(self, line: Line) -> None:
        taken: list[tuple[str, Floats]] = []
        goal = None if line.target.direction is None else (-1.0 if line.opposed else 1.0) * line.target.direction
        angle = 0.0
        if line.turn is not None:
            if self.turns != 1:
                raise SettingsError(
                    f"{line.words}: a turn is about the one axis that the lines before it leave, and they leave "
                    f"{'any' if self.turns else 'none'}; put it after those that give that axis, or leave it out."
                )
            goal = None if goal is None else about(self.sense * line.turn * self.axis) @ goal
        if goal is not None and line.own.direction is not None:
            was_free = self.turns == 3
            taken += self._direct(line.own.direction, goal)
            if was_free:
                self.sense = -1.0 if line.opposed else 1.0
            angle = float(np.arccos(np.clip(turned(self.pose, line.own.direction) @ goal, -1.0, 1.0)))
        aim = line.target.point
        if line.target.direction is not None:
            aim = aim + line.gap * line.target.direction
        rows = _held(line, goal) if line.turn is None else np.zeros((0, 3))
        was_held = self._is_held()
        shifts = self._shift(rows, rows @ (aim - transformed(self.pose, line.own.point)))
        taken += [("shift along", d) for d in shifts]
        if self._is_held() and not was_held:
            self.pivot = aim
        elif was_held and line.turn is None and line.target.kind != SituationFeature.PLANE:
            taken += self._stop(line.own, aim)
        off = float(np.linalg.norm(rows @ (aim - transformed(self.pose, line.own.point))))
        if angle > SNAP:
            raise SettingsError(
                f"{line.words}: it would have to turn by another {np.degrees(angle):.1f} degrees, which the lines "
                "before it don't leave; take one of them out, or turn it the other way."
            )
        if off > APART:
            raise SettingsError(
                f"{line.words}: it stays {off:.2f} mm away from there, since the lines before it hold the part; take "
                "one of them out, or check which feature is meant."
            )
        if not taken:
            raise SettingsError(
                f"{line.words}: it takes no freedom away that the lines before it left; leave it out, or put it first."
            )
        if off > 1e-9 or angle > 1e-9:
            self.left.append(Left(line.words, off, angle))
        self.taken.append(taken)

    def _direct(self, own: Floats, goal: Floats) -> list[tuple[str, Floats]]:
        now = turned(self.pose, own)
        if self.turns == 3:
            self._turn(_least_turn(now, goal))
            self.turns, self.axis = 1, goal
            return [("turn about", d) for d in _steady(np.array(basis_of(goal)).T)]
        if self.turns == 1 and angle_between_lines(goal, self.axis) >= ALIKE:
            here, there = rejection(now, self.axis), rejection(goal, self.axis)
            if np.linalg.norm(here) < np.sin(SNAP):
                return []  # along the axis of the turn: what is left of the angle says so
            self._turn(_turn_about(self.axis, here, there))
            self.turns = 0
            return [("turn about", self.axis)]
        return []

    def _shift(self, rows: Floats, missing: Floats) -> list[Floats]:
        if not self.loose.shape[1]:
            return []
        u, s, vt = np.linalg.svd(rows @ self.loose)
        rank = int(np.sum(s > np.sin(ALIKE)))
        self.pose = rigid(np.eye(3), self.loose @ (vt[:rank].T @ ((u[:, :rank].T @ missing) / s[:rank]))) @ self.pose
        out = list(_steady(self.loose @ vt[:rank].T))
        self.loose = self.loose @ vt[rank:].T
        return out

    def _is_held(self) -> bool:
        """Whether the shifts that are left, if any, run along the axis of the turn that is left."""
        across = self.loose if self.turns != 1 else self.loose - np.outer(self.axis, self.axis @ self.loose)
        return bool(np.linalg.norm(across) < 1e-9)

    def _stop(self, own: Item, aim: Floats) -> list[tuple[str, Floats]]:
        """What a place beside what is held already takes of the turns that are left."""
        here, there = transformed(self.pose, own.point) - self.pivot, aim - self.pivot
        if self.turns == 1:
            here, there = rejection(here, self.axis), rejection(there, self.axis)
        if self.turns == 0 or min(np.linalg.norm(here), np.linalg.norm(there)) < LEVER:
            return []
        if self.turns == 1:
            self._turn(_turn_about(self.axis, here, there))
            self.turns = 0
            return [("turn about", self.axis)]
        self._turn(_least_turn(unit(here), unit(there)))
        self.turns, self.axis = 1, unit(there)
        return [("turn about", d) for d in _steady(np.array(basis_of(self.axis)).T)]

    def _turn(self, rotation: Floats) -> None:
        self.pose = rigid(rotation, self.pivot - rotation @ self.pivot) @ self.pose


def _held(line: Line, goal: Floats | None) -> Floats:
    """(k, 3) unit directions in which a line holds a place."""
    if goal is None or line.target.kind == SituationFeature.POINT:
        return np.eye(3)
    return goal[None] if line.target.kind == SituationFeature.PLANE else basis_of(goal)


def _least_turn(here: Floats, there: Floats) -> Floats:
    """(3, 3) the smallest turn of one unit direction into another."""
    axis, cosine = cross(here, there), float(here @ there)
    if np.linalg.norm(axis) < 1e-12:
        return np.eye(3) if cosine > 0 else about(np.pi * basis_of(here)[0])
    return about(float(np.arctan2(np.linalg.norm(axis), cosine)) * unit(axis))


def _turn_about(axis: Floats, here: Floats, there: Floats) -> Floats:
    return about(float(np.arctan2(axis @ cross(here, there), here @ there)) * axis)


def _steady(columns: Floats) -> Floats:
    """(k, 3) directions that span the same as columns (3, k), along the coordinate axes where these do."""
    kept = [axis for axis in np.eye(3) if np.linalg.norm(columns @ (columns.T @ axis) - axis) < 1e-9]
    if len(kept) == columns.shape[1]:
        return np.array(kept).reshape(-1, 3)
    rest = columns - np.array(kept).reshape(-1, 3).T @ (np.array(kept).reshape(-1, 3) @ columns)
    u, s, _ = np.linalg.svd(rest, full_matrices=False)
    return np.array([*kept, *u[:, s > 1e-9].T])
