"""Places of a part that it can be placed by, and what moves them when what they were taken from is not what it seems.

What is not known exactly is a list of independent moves, each of the size of one standard uncertainty and with a key of
its own: a face that lies a little deeper, an axis a little inclined. A placing and a clearance that hang on the same
face move together, since they find the same key.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
from scipy.spatial.transform import Rotation

from pipeline.geometry import Floats, basis_of, cross, rigid, transformed, turned
from pipeline.surfaces import SituationFeature

Key = tuple[str, ...]
"""Of what is not known exactly: the part, the feature, and which of its moves."""


@dataclass(frozen=True)
class Move:
    """How a rigid surface may lie otherwise than it seems, by one standard uncertainty.

    shift   (3,) mm, at `about`
    turn    (3,) rad, rotation vector about `about` (3,) mm
    grow    mm by which its radius is larger
    """

    shift: Floats
    turn: Floats
    about: Floats
    grow: float = 0.0

    def at(self, place: Floats) -> Floats:
        """(3,) mm by which a place (3,) of the surface goes along; without what its radius does.

        >>> Move(np.zeros(3), np.array([0.0, 0.0, 0.01]), np.zeros(3)).at(np.array([100.0, 0.0, 0.0])).tolist()
        [0.0, 1.0, 0.0]
        """
        return self.shift + cross(self.turn, place - self.about)


@dataclass(frozen=True)
class Item:
    """A plane, an axis or a point of a part.

    point, direction  (3,) mm and unit; direction None for a point; a plane's looks out of the material
    moves             by key, how point and direction change: (3,) mm and (3,)
    unsure            why nothing can be said of how well it is known; "" where `moves` say it
    of                numbers of the features that it is made of, of one in its part's own coordinates
    """

    kind: SituationFeature
    point: Floats
    direction: Floats | None
    moves: Mapping[Key, tuple[Floats, Floats]] = field(default_factory=dict)
    unsure: str = ""
    of: tuple[str, ...] = ()

    def moved(self, key: Key, share: float = 1.0) -> Item:
        """The item as it would be if what goes by a key were off by a share of its standard uncertainty.

        >>> up = Item(SituationFeature.PLANE, np.zeros(3), np.array([0.0, 0, 1]), {("a",): (np.ones(3), np.zeros(3))})
        >>> up.moved(("a",), 0.5).point.tolist(), up.moved(("b",)) is up
        ([0.5, 0.5, 0.5], True)
        """
        if key not in self.moves:
            return self
        shift, tilt = self.moves[key]
        direction = self.direction
        if direction is not None:
            direction = direction + share * tilt
            direction = direction / np.linalg.norm(direction)
        return Item(self.kind, self.point + share * shift, direction, self.moves, self.unsure)

    def placed(self, pose: Floats) -> Item:
        """The item after a motion (4, 4).

        >>> from pipeline.geometry import rigid
        >>> Item(SituationFeature.POINT, np.zeros(3), None).placed(rigid(np.eye(3), np.ones(3))).point.tolist()
        [1.0, 1.0, 1.0]
        """
        moves = {key: (turned(pose, shift), turned(pose, tilt)) for key, (shift, tilt) in self.moves.items()}
        direction = None if self.direction is None else turned(pose, self.direction)
        return Item(self.kind, transformed(pose, self.point), direction, moves, self.unsure)


def moves_of(
    point: Floats, direction: Floats | None, flat: bool, known: tuple[float, float | None, float | None]
) -> dict[str, Move]:
    """The moves of a feature by its standard uncertainties, each named after the local parameter that it is.

    point, direction  (3,) mm and unit, as a feature has them; flat: it is a plane
    known             position mm, direction rad, radius mm, as a feature's uncertainty has them; its position across an
                      axis or along a normal is the larger of two principal values, so that it is on the safe side

    >>> sorted(moves_of(np.zeros(3), np.array([0.0, 0.0, 1.0]), True, (0.01, 1e-4, None)))
    ['a', 'b', 'w']
    """
    position, angle, radius = known
    none = np.zeros(3)
    if direction is None:
        shifts = dict(zip("xyz", position * np.eye(3), strict=True))
    elif flat:
        shifts = {"w": position * direction}
    else:
        first, second = basis_of(direction)
        shifts = {"u": position * first, "v": position * second}
    out = {name: Move(shift, none, point) for name, shift in shifts.items()}
    if direction is not None and angle is not None:
        for name, axis in zip("ab", basis_of(direction), strict=True):
            out[name] = Move(none, angle * axis, point)
    if radius is not None:
        out["r"] = Move(none, none, point, radius)
    return out


def item_moves(
    make: Callable[[Mapping[str, Floats]], tuple[Floats, Floats | None]], moves: Mapping[Key, Move]
) -> dict[Key, tuple[Floats, Floats]]:
    """How a point and direction that are made of features change with each move of these.

    make   (4, 4) motions by feature -> point (3,) and direction (3,) or None
    moves  by key (part, feature, move); those that only make it larger change nothing
    """
    point, direction = make({})
    out = {}
    for key, move in moves.items():
        if not (move.shift.any() or move.turn.any()):
            continue
        p, d = make({key[1]: _small(move)})
        tilt = np.zeros(3) if direction is None or d is None else (d if d @ direction > 0 else -d) - direction
        out[key] = (p - point, tilt)
    return out


def _small(move: Move) -> Floats:
    rotation = about(move.turn)
    return rigid(rotation, move.about + move.shift - rotation @ move.about)


def about(turn: Floats) -> Floats:
    """(3, 3) the rotation that a rotation vector (3,), rad, stands for.

    >>> about(np.array([0.0, 0.0, np.pi / 2])).round(9).tolist()
    [[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]]
    """
    return np.asarray(Rotation.from_rotvec(turn).as_matrix())
