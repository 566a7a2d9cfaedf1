"""What datums fix of a rigid body's six freedoms, and the frame that follows, by the rules of ISO 5459.

Each datum stands for its situation feature: a plane for a face, an axis for a cylinder, a point for a sphere,
an axis and a point for a cone or torus, an axis and a plane through it for a prism. They are taken in their order,
and each one constrains of the six degrees of freedom of a rigid body only what those before it left:

    directions  the first direction there is fixes two turns, the first one that is not parallel to it the third;
                a place can do the same (a hole beside the axis stops the turn about it)
    places      a plane fixes one shift, an axis two, a point three, less what is fixed already

A datum that constrains nothing is refused, since it could only contradict the others. A secondary or tertiary
datum within SNAP of square or parallel to those before it is taken as exactly so, as the standard has it: its
plane or axis then passes through the middle of what was seen of it.

The frame's z looks out of datum A (a face's outward normal, or along an axis), x comes from the datum that
stops the turn about z, y = z x x. The origin is where the datums fix it: on A; on B in the shifts that A left;
on C in the rest. Points and directions are in scan coordinates, mm and rad.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.errors import SettingsError
from pipeline.features.datums.situation_features import ALIKE, SNAP, Situation, cross_axes
from pipeline.geometry import (
    Floats,
    angle_between_lines,
    basis_of,
    cross,
    growing_sense,
    into_frame,
    rejection,
    unit,
)
from pipeline.surfaces import SituationFeature

LETTERS = "ABC"
LEVER = 0.02  # a place nearer to the axis of turn than this share of the part's reach can't stop the turn

_TURNS = ("rx", "ry", "rz")
_SHIFTS = ("tx", "ty", "tz")


@dataclass(frozen=True)
class Solution:
    """matrix (4, 4) scan -> part; what each datum constrains; what is still free; directions as idealised."""

    matrix: Floats
    taken: tuple[tuple[str, ...], ...]
    free: tuple[str, ...]


def solve(datums: Sequence[Situation], reach: float, z: str | None = None, x: str | None = None) -> Solution:
    """The frame that datums A, B, C in their order fix; `reach` mm is half the part's size.

    z, x  the user's words for two axes: "out of A", "into A" (faces), "along B", "against B" (axes; of a
          face the line in which it cuts the plane square to z), "towards C", "away from C" (from the origin)

    Raises SettingsError when a datum constrains nothing, or the axes' words don't fit.
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
        """Turns and shifts (as vectors) that this datum constrains."""
        turns = [*self._take_direction(datum.direction), *self._take_direction(datum.across)]
        ideal = self._idealised(datum.direction)
        self.ideal.append(ideal)
        shifts = self._take_place(datum, ideal)
        if not datum.flat:
            turns += self._take_lever(datum)
        if not turns and not shifts:
            raise SettingsError(
                f"Datum {letter} constrains nothing that the datums before it left free ({self._why(datum)}); "
                f"choose another {letter} or leave it out."
            )
        return turns, shifts

    def _take_direction(self, d: Floats | None) -> list[Floats]:
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
        rows = _fixed(datum, ideal)
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
            if datum.flat:
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


def _fixed(datum: Situation, ideal: Floats | None) -> Floats:
    """(k, 3) the directions in which a datum holds a place, its own direction being `ideal`."""
    if datum.kind in (SituationFeature.POINT, SituationFeature.AXIS_POINT):
        return np.eye(3)
    assert ideal is not None
    return ideal[None] if datum.flat else np.array(cross_axes(ideal))


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
        if datum.flat:
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
        if not datum.flat:
            raise SettingsError(
                f"The frame's {name} is {text!r}, but {letter} is an axis; "
                f'write "along {letter}" or "against {letter}".'
            )
        return sign * ideal
    if not datum.flat:
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
