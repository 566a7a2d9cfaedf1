"""A motion, and a moving part and another one along it: when they meet, and what is known of the gap between them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.fitup import MOST_FITS, Fit, Item, Key, Placed, Spot, about, fits_between, meant_between, spot_of
from pipeline.geometry import Floats, Ints, Mask, cross, rigid, small_motion, transformed, turned, undone
from pipeline.mesh.query import (
    Contact,
    Meant,
    NearestFacets,
    TurnTree,
    facet_tree,
    first_contact,
    first_contact_turning,
    nearest_facets,
    nearest_of_pair,
    turn_tree,
    turned_over,
)

_STEP = 0.1  # of a standard uncertainty, for derivatives
_SLACK = 1e-3  # share by which gaps along a run may be too large


@dataclass(frozen=True)
class Motion:
    """A shift along a direction, or a turn about an axis.

    item   its direction and, of a turn, a point of the axis, where the parts are put together, and what moves them
    turns  whether it is a turn: runs are rad then, else mm
    """

    item: Item
    turns: bool

    def at(self, run: float) -> Floats:
        """(4, 4) the motion by a run.

        >>> from pipeline.surfaces import SituationFeature
        >>> up = Item(SituationFeature.AXIS, np.zeros(3), np.array([0.0, 0.0, 1.0]))
        >>> Motion(up, False).at(5.0)[:3, 3].tolist()
        [0.0, 0.0, 5.0]
        """
        return _motion(self.item, self.turns, run)

    def moves_at(self, run: float) -> dict[Key, Floats]:
        """By key, (6,) shift mm and turn rad after a run, by one standard uncertainty of what the motion follows."""
        back = undone(self.at(run))
        out = {}
        for key in self.item.moves:
            out[key] = small_motion(_motion(self.item.moved(key, _STEP), self.turns, run) @ back) / _STEP
        return out

    def speed(self, place: Floats) -> Floats:
        """(3,) mm by which a place (3,) goes for each mm or rad."""
        assert self.item.direction is not None
        return cross(self.item.direction, place - self.item.point) if self.turns else self.item.direction


class Pair:
    """The moving part and another one, with what is needed to ask when they meet."""

    def __init__(
        self, moving: Placed, name: str, other: Placed, motion: Motion, up_to: float, ways: Sequence[int]
    ) -> None:
        self.moving, self.name, self.other, self.motion = moving, name, other, motion
        fits: dict[tuple[tuple[str, str], tuple[str, str]], Fit] = {}
        for way in ways:
            shift = None if motion.turns else way * up_to * motion.speed(np.zeros(3))
            fits |= {(fit.bore, fit.inner): fit for fit in fits_between(moving, other, shift)}
        self.meant = meant_between(moving, other, tuple(fits.values()))
        self._still: tuple[TurnTree, TurnTree] | None = None
        self._moved: tuple[Floats, TurnTree] | None = None

    def contact(
        self, way: int, up_to: float, gap: float, meant: Meant | None = None, before: Floats | None = None
    ) -> Contact | None:
        """The first contact on one way; `before` is a motion that is made first."""
        meant = self.meant if meant is None else meant
        if not self.motion.turns:
            along = way * self.motion.speed(np.zeros(3))
            start = np.eye(4) if before is None else before
            return first_contact(self.moving.tree, self.other.tree, along, up_to, gap, meant, start)
        one, other = self._trees(before)
        if way < 0:
            one, other = turned_over(one), turned_over(other)
        return first_contact_turning(one, other, up_to, gap, meant)

    def meets(self, side: int, corners: Floats, source: Ints, way: int, up_to: float, gap: float) -> int | None:
        """Which of facets (k, 3, 3) that stand in for the moving part, side 0, or for the other part, 1, is met first
        within a run of `up_to` mm or rad; source: of which facet of the part each is, (k,)."""
        vertices, faces = corners.reshape(-1, 3), np.arange(3 * len(corners), dtype=np.int32).reshape(-1, 3)
        marks = [self.meant.one, self.meant.other]
        marks[side] = marks[side][source]
        meant = Meant(marks[0], marks[1], self.meant.least)
        found: Contact | None
        if not self.motion.turns:
            tree = facet_tree(vertices, faces)
            pair = (tree, self.other.tree) if side == 0 else (self.moving.tree, tree)
            found = first_contact(*pair, way * self.motion.speed(np.zeros(3)), up_to, gap, meant)
        else:
            item, trees = self.motion.item, list(self._trees(None))
            assert item.direction is not None
            trees[side] = turn_tree(vertices, faces, item.point, item.direction)
            one, other = (turned_over(tree) for tree in trees) if way < 0 else trees
            found = first_contact_turning(one, other, up_to, gap, meant)
        return None if found is None else found.near.facets[side]

    def _trees(self, before: Floats | None) -> tuple[TurnTree, TurnTree]:
        """Of both parts about the axis; the last of those after another motion is kept, as both ways ask for it."""
        if self._still is None:
            self._still = self._about(self.moving, None), self._about(self.other, None)
        if before is None:
            return self._still
        if self._moved is None or not np.array_equal(self._moved[0], before):
            self._moved = before, self._about(self.moving, before)
        return self._moved[1], self._still[1]

    def _about(self, part: Placed, before: Floats | None) -> TurnTree:
        item = self.motion.item
        assert item.direction is not None
        faces = part.body.surface.faces
        if before is None or self._still is None:
            return turn_tree(part.vertices, faces, item.point, item.direction)
        return turn_tree(transformed(before, part.vertices), faces, item.point, item.direction, self._still[0])

    def gap_at(self, pose: Floats, facets: tuple[int, int] | None = None) -> NearestFacets | None:
        """Where both are nearest after a motion (4, 4), or nearly so; two `facets` that are near spare much of it."""
        known = None if facets is None or self._has_bits(facets) else self.of_facets(pose, facets)
        within = np.inf if known is None else known.distance
        near = nearest_facets(self.moving.tree, self.other.tree, within, self.meant, pose, _SLACK)
        return known if near is None else near

    def _has_bits(self, facets: tuple[int, int]) -> bool:
        return bool(self.meant.one[facets[0]] & self.meant.other[facets[1]])

    def of_facets(self, pose: Floats, facets: tuple[int, int]) -> NearestFacets:
        """How near two facets are after a motion (4, 4)."""
        mine = transformed(pose, self.moving.vertices[self.moving.body.surface.faces[facets[0]]])
        its = self.other.vertices[self.other.body.surface.faces[facets[1]]]
        square, p, q = nearest_of_pair(np.ascontiguousarray(mine), np.ascontiguousarray(its))
        return NearestFacets(float(np.sqrt(square)), np.array(p), np.array(q), facets)

    def seen(self, facets: tuple[int, int]) -> bool:
        return bool(self.moving.body.seen[facets[0]] and self.other.body.seen[facets[1]])

    def on(self, facets: tuple[int, int]) -> tuple[str | None, str | None]:
        """The features that two facets belong to."""
        out: list[str | None] = []
        for part, facet in ((self.moving, facets[0]), (self.other, facets[1])):
            k = int(part.body.labels[facet])
            out.append(None if k < 0 else part.body.features[k].id)
        return out[0], out[1]

    def spot(self, run: float, near: NearestFacets) -> Spot:
        """What is known of a gap after a run."""
        pose = self.motion.at(run)
        moves = {key: _carried(move, pose) for key, move in self.moving.pose.moves.items()}
        for key, move in self.motion.moves_at(run).items():
            moves[key] = moves.get(key, np.zeros(6)) + move
        unsure = self.moving.pose.unsure or self.motion.item.unsure
        there = replace(self.moving.pose, matrix=pose @ self.moving.pose.matrix, moves=moves, unsure=unsure)
        return spot_of(Placed(self.moving.body, there), self.other, near, self.meant)


def _motion(item: Item, turns: bool, run: float) -> Floats:
    assert item.direction is not None
    if not turns:
        return rigid(np.eye(3), run * item.direction)
    rotation = about(run * item.direction)
    return rigid(rotation, item.point - rotation @ item.point)


def _carried(move: Floats, pose: Floats) -> Floats:
    """(6,) shift of the origin and turn, as they are after a motion (4, 4) that was made with them."""
    turn = turned(pose, move[3:])
    return np.concatenate([turned(pose, move[:3]) - cross(turn, pose[:3, 3]), turn])


def first_of(
    pairs: Sequence[Pair], way: int, up_to: float, gap: float, before: Floats | None = None,
    meant: Callable[[Pair], Meant] | None = None,
) -> tuple[Pair, Contact] | None:  # fmt: skip
    """The pair that meets first, and where; meant: of each pair, instead of its own."""
    best = None
    for pair in pairs:
        found = pair.contact(way, up_to, gap, None if meant is None else meant(pair), before)
        if found is not None and (best is None or found.run < best[1].run):
            best, up_to = (pair, found), found.run
    return best


def without(meant: Meant, mine: Mask | None, its: Mask | None) -> Meant:
    """What is meant, and facets of the one or the other part taken away."""
    bit = len(meant.least)
    if bit >= MOST_FITS + 8:
        raise ValueError("no more pairs can be told apart")
    one, other = meant.one.copy(), meant.other.copy()
    one[np.ones(len(one), bool) if mine is None else mine] |= np.int64(1) << bit
    other[np.ones(len(other), bool) if its is None else its] |= np.int64(1) << bit
    return Meant(one, other, np.append(meant.least, 0.0))
