"""How far parts go, against closed forms; how sure that is; what stops them, and what would let them go farther.

Covers: pipeline.fitup.motions.travel, pipeline.fitup.motions.motion, pipeline.fitup.motions.stops
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation

from pipeline.fitup import Body, Item, Line, Placed, item_in_words, placed, turned_body
from pipeline.fitup.motions import Motion, travel
from pipeline.fitup.motions.motion import _carried
from pipeline.geometry import rigid, small_motion, transformed
from pipeline.surfaces import SituationFeature
from pipeline.values import FILLED
from tests.fitup.bodies import block_body, cut, standing
from tests.fitup.test_clearance import _bored, at, body

X = Motion(Item(SituationFeature.AXIS, np.zeros(3), np.array([1.0, 0.0, 0.0])), False)
ABOUT_Z = Motion(Item(SituationFeature.AXIS, np.zeros(3), np.array([0.0, 0.0, 1.0])), True)
CUBE = body("cube", trimesh.creation.box((20.0, 20.0, 20.0)), 0.03)
BALL = body("ball", trimesh.creation.icosphere(4, 5.0), 0.04)


def test_a_ball_goes_to_a_cube_and_back_for_ever() -> None:
    """25 mm between them, 1 to keep; both surfaces within 0.05 together: 0.1 at 95 %."""
    found = travel(at(BALL, -40.0), {"cube": at(CUBE)}, X, 100.0, (1, -1), 1.0, 23.9)
    forward, back = found.runs
    assert forward.run == pytest.approx(24.0, abs=1e-8)
    assert forward.sure == pytest.approx(23.9, abs=1e-6)
    assert forward.stop is not None
    assert forward.stop.expanded == pytest.approx(0.1)
    assert forward.stop.places.ravel().tolist() == pytest.approx([-11.0, 0, 0, -10.0, 0, 0], abs=1e-6)
    assert forward.verdict == "far enough"
    gaps = forward.gaps[forward.gaps[:, 0] <= 25.0]
    assert gaps[:, 1].tolist() == pytest.approx((25.0 - gaps[:, 0]).tolist(), rel=1e-3)
    assert (back.run, back.stop, back.verdict) == (100.0, None, "far enough")


@pytest.mark.parametrize(("asked", "verdict"), [(23.95, "can't be said"), (24.2, "too short"), (None, "told")])
def test_what_is_asked(asked: float | None, verdict: str) -> None:
    found = travel(at(BALL, -40.0), {"cube": at(CUBE)}, X, 100.0, (1,), 1.0, asked)
    assert found.verdict == verdict


def test_a_glancing_stop_is_less_sure() -> None:
    """A ball that passes an edge 4 mm below its middle: it closes as the sine of where it is, so the doubt grows."""
    found = travel(at(BALL, -40.0, 14.0), {"cube": at(CUBE)}, X, 100.0, (1,), 0.5)
    (run,) = found.runs
    far = np.sqrt(5.5**2 - 4.0**2)
    assert run.run == pytest.approx(30.0 - far, abs=0.02)
    assert run.stop is not None
    assert run.stop.rate == pytest.approx(far / 5.5, abs=0.02)
    assert run.stop.expanded == pytest.approx(0.1 / run.stop.rate)
    assert run.sure == pytest.approx(30.0 - np.sqrt(5.6**2 - 4.0**2), abs=0.02)


def test_what_cuts_of_a_part_give() -> None:
    """Towards a block's right side at x = 30: 10 mm to go, 3 more by the first facing and 2 by the second; a bore
    gives nothing."""
    block = standing(block_body())
    first = cut(block, name="skim", facing={"face": "right", "take": 3})
    bored = cut(first.after, name="bore", bore={"axis": "bore", "diameter": 20, "through": True})
    last = cut(bored.after, name="finish", facing={"face": "P1", "take": 2})
    back = Motion(Item(SituationFeature.AXIS, np.zeros(3), np.array([-1.0, 0.0, 0.0])), False)
    (run,) = travel(at(BALL, 45.0, 0.0, 10.0), {"block": last.after}, back, 12.5).runs
    assert run.stop is None
    (run,) = travel(at(BALL, 45.0, 0.0, 10.0), {"block": last.after}, back, 100.0).runs
    assert run.run == pytest.approx(15.0, abs=1e-6)
    told = [(each.cut, each.run, each.more, each.stop) for each in run.owed]
    assert [each[0] for each in told] == ["finish", "skim"]
    assert [each[1:3] for each in told] == [pytest.approx((13.0, 2.0)), pytest.approx((10.0, 3.0))]
    assert told[0][3] == "block"


def test_what_it_would_gain() -> None:
    """Without the post it goes on to the cube, 30 mm farther; without both of them there is no end."""
    post = body("post", trimesh.creation.box((2.0, 2.0, 40.0)))
    found = travel(at(BALL, -60.0), {"post": at(post, -40.0), "cube": at(CUBE)}, X, 100.0)
    (run,) = found.runs
    assert run.run == pytest.approx(60.0 - 41.0 - 5.0, abs=1e-6)
    gain = next(g for g in run.gains if g.milling is None and g.part == "post")
    assert gain.run == pytest.approx(45.0, abs=1e-6)
    assert gain.stop == ("cube", "")


def test_a_face_that_was_never_measured() -> None:
    """The side that the ball comes to was filled: how far it goes can't be said, where without it it would do."""
    towards = CUBE.surface.vertices[CUBE.surface.faces][:, :, 0].max(axis=1) < -9.9
    origin = np.where(towards, FILLED, CUBE.surface.origin).astype(np.uint8)
    filled = replace(CUBE, surface=replace(CUBE.surface, origin=origin))
    (run,) = travel(at(BALL, -40.0), {"cube": at(filled)}, X, 100.0, (1,), 1.0, 24.5).runs
    assert run.stop is not None
    assert not run.stop.seen
    assert run.verdict == "can't be said"


def test_inside_or_across_from_the_start() -> None:
    for x in (0.0, 12.0):
        (run,) = travel(at(BALL, x), {"cube": at(CUBE)}, X, 100.0, (1,), 0.0, 5.0).runs
        assert (run.run, run.verdict) == (0.0, "too short")


def test_a_shaft_drawn_out_of_its_bore() -> None:
    """D39.96 in D40: the play doesn't stop it, the collar does, 2 mm on; about the axis nothing does."""
    bored = _bored(turned_body("ring", [(0.0, 80.0), (30.0, 80.0)], 0.0), 20.0)
    shaft = turned_body("shaft", [(-40.0, 60.0), (-2.0, 60.0), (-2.0, 39.96), (50.0, 39.96)], 0.004)
    own, there = item_in_words(shaft, "axis", "axis"), item_in_words(bored, "bore", "axis")
    stands = Placed(shaft, placed([Line(own, there, False, "shaft")]))
    ring = {"ring": at(bored)}
    forward, back = travel(stands, ring, Motion(there, False), 100.0, (1, -1), 0.5).runs
    assert forward.run == pytest.approx(1.5, abs=1e-6)
    assert forward.stop is not None
    assert (back.run, back.stop) == (100.0, None)
    (turn,) = travel(stands, ring, Motion(there, True), 2.0 * np.pi, (1,), 0.5).runs
    assert (turn.run, turn.stop) == (pytest.approx(2.0 * np.pi), None)


def test_a_turn_and_its_doubt() -> None:
    """A bar from 0 to 100 along x turns to a wall at y = 50; what its corner's 0.05 mm are of the turn."""
    bar = body("bar", trimesh.creation.box((100.0, 4.0, 4.0)), 0.03)
    wall = body("wall", trimesh.creation.box((300.0, 1.0, 50.0)), 0.04)
    (run,) = travel(at(bar, 50.0), {"wall": at(wall, 0.0, 50.5)}, ABOUT_Z, np.pi, (1,), 0.0, 0.45).runs
    reach = np.hypot(100.0, 2.0)
    assert run.run == pytest.approx(np.arcsin(50.0 / reach) - np.arctan2(2.0, 100.0), abs=1e-7)
    assert run.stop is not None
    closing = np.sqrt(reach**2 - 50.0**2)
    assert run.stop.rate == pytest.approx(closing, rel=1e-4)
    assert run.stop.expanded == pytest.approx(0.1 / closing, rel=1e-3)
    assert run.verdict == "far enough"


def test_the_doubt_of_the_axis_grows_with_the_run() -> None:
    """A direction that is known within 1 mrad leaves 0.1 mm after 100, where the way runs aslant to the face."""
    known = {("base", "H1", "a"): (np.zeros(3), np.array([0.0, 1e-3, 0.0]))}
    aslant = Motion(Item(SituationFeature.AXIS, np.zeros(3), np.array([1.0, 0.0, 0.0]), known), False)
    wedge = trimesh.creation.box((20.0, 200.0, 20.0))
    turned = wedge.vertices @ np.array([[1.0, 1.0, 0.0], [-1.0, 1.0, 0.0], [0.0, 0.0, np.sqrt(2.0)]]) / np.sqrt(2.0)
    face = body("wedge", trimesh.Trimesh(turned, wedge.faces))
    small = body("ball", trimesh.creation.icosphere(3, 1.0))
    (run,) = travel(at(small, -115.0), {"wedge": at(face)}, aslant, 200.0).runs
    assert run.stop is not None
    assert run.run == pytest.approx(115.0 - (10.0 + 1.0) * np.sqrt(2.0), abs=0.02)
    assert run.stop.expanded == pytest.approx(2.0 * 1e-3 * run.run, rel=0.01)


def test_a_map_is_the_gap_at_each_of_its_places() -> None:
    """A ball beside a cube, sideways and nearer: the gap at each cell by the closed form, and how far it goes."""
    up = Motion(Item(SituationFeature.AXIS, np.zeros(3), np.array([0.0, 1.0, 0.0])), False)
    found = travel(
        at(BALL, -40.0), {"cube": at(CUBE)}, X, 30.0, (1,), 1.0, second=(up, np.linspace(-16.0, 16.0, 5))
    ).map
    assert found is not None
    for y, row, limit in zip(found.second, found.gaps, found.limits, strict=True):
        beside = max(abs(y) - 10.0, 0.0)
        apart = np.hypot(np.maximum(30.0 - found.runs, 0.0), beside) - 5.0
        assert row == pytest.approx(np.maximum(apart, 0.0), abs=0.02)
        left = 36.0 - beside**2
        assert limit[1] == pytest.approx(30.0 - np.sqrt(left) if left > 0 else 30.0, abs=0.03)
    assert found.pairs == (("cube", "", ""),)


def test_motions() -> None:
    assert transformed(ABOUT_Z.at(np.pi / 2), np.array([1.0, 0.0, 0.0])) == pytest.approx([0.0, 1.0, 0.0])
    assert ABOUT_Z.speed(np.array([3.0, 0.0, 1.0])).tolist() == [0.0, 3.0, 0.0]
    along: Body = CUBE
    assert Placed(along, placed([], rigid(np.eye(3), np.ones(3)))).vertices.min() == pytest.approx(-9.0)


def test_what_a_part_is_not_known_by_goes_along_with_it() -> None:
    """Truth: the part is off by a small motion, and is moved then: the whole is that motion, seen from there."""
    move = np.array([1e-5, -2e-5, 3e-5, 2e-7, 1e-7, -3e-7])
    pose = rigid(Rotation.from_rotvec([0.4, -0.2, 0.9]).as_matrix(), np.array([150.0, -60.0, 30.0]))
    off = rigid(Rotation.from_rotvec(move[3:]).as_matrix(), move[:3])
    assert _carried(move, pose) == pytest.approx(small_motion(pose @ off @ np.linalg.inv(pose)), abs=1e-9)
