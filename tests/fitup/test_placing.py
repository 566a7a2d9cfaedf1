"""Placing line by line: where parts come to stand, and how well that is known.

Against rotations of scipy, random draws of what isn't known, and what a fitter would work out by hand.

Covers: pipeline.fitup.placing, pipeline.fitup.items
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from pipeline.errors import SettingsError
from pipeline.fitup import Line, placed
from pipeline.fitup.items import Item, Move, item_moves, moves_of
from pipeline.geometry import Floats, rigid, transformed, turned
from pipeline.surfaces import SituationFeature

UP = np.array([0.0, 0.0, 1.0])
PLANE, AXIS, POINT = SituationFeature.PLANE, SituationFeature.AXIS, SituationFeature.POINT


def item(kind: SituationFeature, point: tuple[float, float, float], direction: Floats | None = UP) -> Item:
    return Item(kind, np.array(point, float), direction)


def test_face_axis_and_hole_hold_all_six() -> None:
    """A flange on a flange: its face, its pilot, and a bolt hole that clocks it; the bolt circle is 0.05 mm larger."""
    lines = [
        Line(item(PLANE, (0, 0, 5), -UP), item(PLANE, (0, 0, 20), UP), True, "face"),
        Line(item(AXIS, (3, 0, 0)), item(AXIS, (10, 10, 0)), False, "pilot"),
        Line(item(AXIS, (53, 0, 0)), item(AXIS, (10, 60.05, 0)), False, "hole"),
    ]
    pose = placed(lines)
    assert pose.taken == (
        ("turn about x", "turn about y", "shift along z"),
        ("shift along x", "shift along y"),
        ("turn about z",),
    )
    assert pose.free == ()
    assert transformed(pose.matrix, np.array([3.0, 0, 5.0])).tolist() == pytest.approx([10.0, 10.0, 20.0])
    assert transformed(pose.matrix, np.array([53.0, 0, 5.0])).tolist() == pytest.approx([10.0, 60.0, 20.0])
    assert [(left.words, left.shift) for left in pose.left] == [("hole", pytest.approx(0.05))]


@pytest.mark.parametrize(
    ("order", "free"),
    [("fa", 0), ("af", 0), ("ap", 0), ("pa", 0), ("fp", 1), ("pf", 1), ("a", 2), ("p", 3), ("f", 3)],
)
def test_a_part_comes_to_where_it_was_moved_from(order: str, free: int) -> None:
    """A part that was moved anywhere comes back by its own face, axis and point, as many as are given."""
    random = np.random.default_rng(len(order) + free)
    motion = rigid(Rotation.random(random_state=5).as_matrix(), random.normal(0, 50, 3))
    targets = {
        "f": Item(PLANE, random.normal(0, 30, 3), np.array([0.0, 0.6, 0.8])),
        "a": Item(AXIS, random.normal(0, 30, 3), np.array([0.8, 0.0, 0.6])),
        "p": Item(POINT, random.normal(0, 30, 3), None),
    }
    pose = placed([Line(targets[k].placed(motion), targets[k], False, k) for k in order])
    back = pose.matrix @ motion
    assert len(pose.free) == free
    assert all(left.shift < 1e-9 and left.angle < 1e-6 for left in pose.left)
    if not free:
        assert back == pytest.approx(np.eye(4), abs=1e-9)
    for target in (targets[k] for k in order):
        off = transformed(back, target.point) - target.point
        if target.direction is not None:
            assert turned(back, target.direction) == pytest.approx(target.direction, abs=1e-9)
            along = (off @ target.direction) * target.direction
            off = along if target.kind == PLANE else off - along
        assert off == pytest.approx(np.zeros(3), abs=1e-9)


def test_opposed_and_gap() -> None:
    """A cover 0.5 mm off a face that it looks at."""
    pose = placed([Line(item(PLANE, (0, 0, 0), -UP), item(PLANE, (0, 0, 30)), True, "cover", gap=0.5)])
    assert pose.matrix[:3, 3].tolist() == [0.0, 0.0, 30.5]
    turned_over = placed([Line(item(PLANE, (0, 0, 0), UP), item(PLANE, (0, 0, 30)), True, "cover")])
    assert turned(turned_over.matrix, UP).tolist() == pytest.approx([0.0, 0.0, -1.0])


@pytest.mark.parametrize("opposed", [False, True])
def test_a_turn_about_what_is_left(opposed: bool) -> None:
    """On a bore's axis, turned by 30 degrees about it as the bore's axis looks, +-0.2: x of the part is x of the base
    turned by scipy's rotation, and a place 100 mm off the axis is known within 100 mm times 0.2 degrees."""
    random = np.random.default_rng(3)
    base = Rotation.random(random_state=8)
    bore = Item(AXIS, random.normal(0, 30, 3), base.apply(UP))
    side = Item(AXIS, random.normal(0, 30, 3), base.apply([1.0, 0.0, 0.0]))
    turn, known = np.radians(30.0), np.radians(0.2)
    lines = [
        Line(item(AXIS, (0, 0, 0)), bore, opposed, "bore"),
        Line(item(POINT, (0, 0, 5), None), Item(POINT, bore.point, None), False, "end"),
        Line(item(AXIS, (0, 0, 0), np.array([1.0, 0, 0])), side, False, "side", turn=turn, turn_uncertainty=known),
    ]
    pose = placed(lines)
    about = Rotation.from_rotvec(turn * base.apply(UP))
    assert turned(pose.matrix, np.array([1.0, 0, 0])) == pytest.approx(about.apply(side.direction), abs=1e-9)
    assert turned(pose.matrix, UP) == pytest.approx((-1.0 if opposed else 1.0) * bore.direction, abs=1e-9)
    assert transformed(pose.matrix, np.array([0.0, 0, 5.0])) == pytest.approx(bore.point, abs=1e-9)
    assert (len(pose.taken[2]), pose.free) == (1, ())
    assert all(left.shift < 1e-9 and left.angle < 1e-6 for left in pose.left)
    (move,) = pose.moves.values()
    off = transformed(pose.matrix, np.array([60.0, 80.0, 7.0]))
    assert np.linalg.norm(move[:3] + np.cross(move[3:], off)) == pytest.approx(100.0 * known, rel=1e-3)
    for wrong in ([lines[2]], [*lines, lines[2]]):
        with pytest.raises(SettingsError, match="a turn is about the one axis"):
            placed(wrong)


@pytest.mark.parametrize(
    ("second", "said"),
    [
        (Line(item(AXIS, (3, 0, 0)), item(AXIS, (10, 10, 0)), False, "again"), "takes no freedom away"),
        (Line(item(AXIS, (3, 0, 0)), item(AXIS, (10, 10, 0)), True, "over"), "turn by another 180.0 degrees"),
        (Line(item(POINT, (9, 0, 0), None), item(POINT, (90, 0, 0), None), False, "far"), "stays 7"),
    ],
)
def test_what_contradicts_or_adds_nothing_is_refused(second: Line, said: str) -> None:
    first = Line(item(AXIS, (3, 0, 0)), item(AXIS, (10, 10, 0)), False, "first")
    with pytest.raises(SettingsError, match=said):
        placed([first, second])


def _of_feature(point: Floats, direction: Floats, flat: bool, known: tuple[float, float], name: str) -> Item:
    moves = {("base", name, key): move for key, move in moves_of(point, direction, flat, (*known, None)).items()}

    def make(motions) -> tuple[Floats, Floats | None]:
        motion = motions.get(name, np.eye(4))
        return transformed(motion, point), turned(motion, direction)

    return Item(PLANE if flat else AXIS, point, direction, item_moves(make, moves))


def test_moves_are_the_spread_of_random_draws() -> None:
    """A part on a face, an axis and a hole that are not known exactly: 4,000 draws of what each could be.

    The spread of a far corner, drawn, against the law of propagation (JCGM 100:2008, 5.1.2), within what so many draws
    tell of a standard deviation (2.2 % at 95 %).
    """
    random = np.random.default_rng(4)
    known = {"face": (0.01, 1e-4), "bore": (0.006, 4e-4), "hole": (0.02, 1e-3)}
    targets = [
        _of_feature(np.array([5.0, 2.0, 20.0]), UP, True, known["face"], "face"),
        _of_feature(np.array([10.0, 10.0, 5.0]), UP, False, known["bore"], "bore"),
        _of_feature(np.array([80.0, 10.0, 9.0]), UP, False, known["hole"], "hole"),
    ]
    own = [item(PLANE, (0, 0, 0)), item(AXIS, (0, 0, 0)), item(AXIS, (70, 0, 0))]
    lines = [Line(o, t, False, str(k)) for k, (o, t) in enumerate(zip(own, targets, strict=True))]
    pose = placed(lines)
    corner = np.array([150.0, -40.0, 60.0])
    there = transformed(pose.matrix, corner)
    told = np.array([move[:3] + np.cross(move[3:], there) for move in pose.moves.values()])
    stated = np.sqrt((told**2).sum(axis=0))
    draws = []
    for _ in range(4000):
        drawn = []
        for line in lines:
            target = line.target
            for key in line.target.moves:
                target = target.moved(key, float(random.normal()))
            drawn.append(Line(line.own, target, False, line.words))
        draws.append(transformed(_pose_only(drawn), corner))
    assert np.std(draws, axis=0) == pytest.approx(stated, rel=0.035)


def _pose_only(lines: list[Line]) -> Floats:
    from pipeline.fitup.placing import _solved

    return _solved(lines, np.eye(4)).pose


def test_half_a_turn_is_as_sure_as_none() -> None:
    """A plate laid face to face must turn over, about no axis in particular: that adds no doubt.

    Two holes clock it, their axes 0.08 degrees from the face's normal; the face's tilt of 6e-5 rad moves it by that,
    times how far its holes' places are from the face, and no more.
    """
    up = np.array([0.0, 0.0, 1.0])
    tilted = np.array([0.0014, 0.0, 1.0]) / np.linalg.norm([0.0014, 0.0, 1.0])
    tilt = {("base", "face", "a"): (np.zeros(3), np.array([6e-5, 0.0, 0.0]))}
    own = Item(SituationFeature.PLANE, np.zeros(3), up)
    target = Item(SituationFeature.PLANE, np.zeros(3), up, tilt)
    lines = [Line(own, target, True, "face")]
    for x in (-50.0, 50.0):
        hole = Item(SituationFeature.AXIS, np.array([x, 0.0, -8.0]), up)
        lines.append(Line(hole, Item(SituationFeature.AXIS, np.array([x, 0.0, -6.0]), tilted), True, f"hole {x}"))
    (move,) = placed(lines).moves.values()
    assert np.abs(move[:3]).max() < 6e-5 * 50
    assert np.abs(move[3:]).max() < 1.01 * 6e-5


def test_a_feature_that_is_inclined_turns_about_its_own_place() -> None:
    """Truth: v = turn x (place - about), of a rigid body that turns about a place far from the origin."""
    about, place, way = np.array([100.0, 20.0, 0.0]), np.array([100.0, 70.0, 0.0]), np.array([0.0, 1.0, 0.0])
    turn = np.array([0.0, 0.0, 1e-5])

    def made(motions: Mapping[str, np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
        motion = motions.get("F1", np.eye(4))
        return transformed(motion, place), turned(motion, way)

    moves = item_moves(made, {("part", "F1", "a"): Move(np.zeros(3), turn, about)})
    shift, tilt = moves["part", "F1", "a"]
    assert shift == pytest.approx(np.cross(turn, place - about), abs=1e-8)
    assert tilt == pytest.approx(np.cross(turn, way), abs=1e-9)
