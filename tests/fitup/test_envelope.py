"""What turning parts sweep, and where others reach into it: closed forms, and every position of the part tried.

Covers: pipeline.fitup.envelope
"""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation

from pipeline.errors import SettingsError
from pipeline.fitup import Item, Line, Placed, envelope, item_in_words, placed, turned_body
from pipeline.fitup.envelope import _swept, swept_profile
from pipeline.geometry import rigid
from pipeline.mesh.query import nearest_facets
from pipeline.surfaces import SituationFeature
from tests.fitup.test_clearance import _bored, at, body

Z = Item(SituationFeature.AXIS, np.zeros(3), np.array([0.0, 0.0, 1.0]))


def test_the_profile_of_a_stepped_shaft() -> None:
    rotor = turned_body("rotor", [(0, 20), (30, 20), (30, 40), (50, 30)], 0.01)
    found = swept_profile(rotor.surface.vertices, rotor.surface.faces)
    assert found == pytest.approx(np.array([[0.0, 10], [30, 10], [30, 20], [50, 15]]), abs=1e-9)


@pytest.mark.parametrize("mesh", ["box", "torus", "fine"])
def test_nothing_reaches_out_of_a_profile(mesh: str) -> None:
    """20,000 places of tilted bodies lie inside, and the largest radii of their corners are on it."""
    made = {
        "box": trimesh.creation.box((20.0, 14.0, 30.0)),
        "torus": trimesh.creation.torus(20.0, 6.0, 64, 32),
        "fine": trimesh.creation.icosphere(4, 12.0),
    }[mesh]
    vertices = made.vertices @ Rotation.from_euler("xyz", (20, 35, 5), degrees=True).as_matrix().T + [4.0, 1.0, 50.0]
    found = swept_profile(vertices, made.faces)
    places = np.vstack([trimesh.Trimesh(vertices, made.faces).sample(20_000, seed=1), vertices])
    radius, station = np.hypot(places[:, 0], places[:, 1]), places[:, 2]
    above = np.interp(station, found[:, 0], found[:, 1])
    assert (radius <= above + 1e-5).all()
    assert found[:, 1].max() == pytest.approx(np.hypot(vertices[:, 0], vertices[:, 1]).max(), abs=0.02)


def test_a_shaft_beside_a_cube() -> None:
    """A collar of D40 at stations 30 to 50 keeps 2 mm from a cube's face where 3 are wanted: 1 mm has to go."""
    rotor = turned_body("rotor", [(0, 20), (30, 20), (30, 40), (50, 40)], 0.01)
    cube = body("cube", trimesh.creation.box((20.0, 20.0, 20.0)), 0.03)
    found = envelope(at(rotor), {"cube": at(cube, 32.0, 0.0, 40.0)}, Z, 3.0)
    (reached,) = found.reached
    assert found.largest == pytest.approx(20.0)
    assert reached.clearance.verdict == "too near"
    assert reached.clearance.spot is not None
    assert reached.clearance.spot.distance == pytest.approx(2.0, abs=2e-3)
    assert reached.place is not None
    assert 30.0 - 1e-6 <= reached.place[0] <= 50.0 + 1e-6
    assert np.cos(reached.place[1]) == pytest.approx(1.0, abs=1e-3)
    assert reached.relief is not None
    assert reached.relief.deepest[2] == pytest.approx(1.0, abs=1e-6)
    # Beside the face's middle the cube is farther out by 1 / cos: the map follows it.
    k = int(np.argmin(np.abs(reached.relief.angles - np.radians(14.0))))
    assert reached.relief.depth[:, k].max() == pytest.approx(23.0 - 22.0 / np.cos(reached.relief.angles[k]), abs=1e-6)


def test_a_bar_sweeps_what_it_reaches_in_any_position() -> None:
    """A bar askew on its axis, and a post beside: the envelope's gap is the least over the whole turn, in steps."""
    bar = body("bar", trimesh.creation.box((60.0, 10.0, 8.0)))
    post = body("post", trimesh.creation.cylinder(3.0, 50.0, sections=48))
    found = envelope(at(bar, 5.0, 0.0, 0.0), {"post": at(post, 20.0, 34.0, 0.0)}, Z, 0.5)
    (reached,) = found.reached
    least = np.inf
    stands, there = at(bar, 5.0, 0.0, 0.0), at(post, 20.0, 34.0, 0.0)
    for turn in np.radians(np.arange(0.0, 360.0, 0.25)):
        motion = rigid(Rotation.from_rotvec([0.0, 0.0, turn]).as_matrix(), np.zeros(3))
        near = nearest_facets(stands.tree, there.tree, motion=motion)
        assert near is not None
        least = min(least, near.distance)
    assert reached.clearance.spot is not None
    assert least - 0.02 <= reached.clearance.spot.distance <= least + 1e-9


def test_a_shaft_turns_in_its_own_bore() -> None:
    """A fit is a fit for the envelope too; the collar's shoulder keeps its 2 mm."""
    bored = _bored(turned_body("ring", [(0.0, 80.0), (30.0, 80.0)], 0.0), 20.0)
    shaft = turned_body("shaft", [(-40.0, 60.0), (-2.0, 60.0), (-2.0, 39.96), (50.0, 39.96)], 0.004)
    there = item_in_words(bored, "bore", "axis")
    stands = Placed(shaft, placed([Line(item_in_words(shaft, "axis", "axis"), there, False, "shaft")]))
    (reached,) = envelope(stands, {"ring": at(bored)}, there, 0.5).reached
    assert reached.clearance.verdict == "clear"
    assert reached.clearance.spot is not None
    assert reached.clearance.spot.distance == pytest.approx(2.0, abs=1e-6)
    assert [fit.inner for fit in reached.clearance.fits] == [("shaft", "step 2")]


def test_a_part_that_hits() -> None:
    cube = body("cube", trimesh.creation.box((20.0, 20.0, 20.0)))
    ball = body("ball", trimesh.creation.icosphere(4, 5.0))
    (reached,) = envelope(at(cube), {"ball": at(ball, 18.0)}, Z).reached
    assert reached.clearance.verdict == "hits"
    assert reached.relief is not None
    assert reached.relief.deepest[2] == pytest.approx(10.0 * np.sqrt(2.0) - 13.0, abs=0.01)
    assert reached.clearance.overlap is not None
    assert reached.clearance.overlap.volume is not None


def test_a_part_without_extent_along_the_axis() -> None:
    flat = body("flat", trimesh.Trimesh([[0.0, 0, 0], [5, 0, 0], [0, 5, 0]], [[0, 1, 2]], process=False))
    with pytest.raises(SettingsError, match="flat has no extent along the axis"):
        envelope(at(flat), {}, Z)


def test_what_is_swept_holds_the_profile_and_goes_with_its_axis() -> None:
    """Facets lie outside the circle; an axis that leans about its own point moves a place along it by lever and lean,
    and not that point."""
    rod, lean = turned_body("rod", [(0, 20), (50, 20)], 0.0), np.array([1e-4, 0.0, 0.0])
    up, foot = np.array([0.0, 0.0, 1.0]), np.array([100.0, 40.0, 30.0])
    axis = Item(SituationFeature.AXIS, foot, up, {("rod", "F1", "a"): (np.zeros(3), lean)})
    swept = _swept(Placed(rod, placed([])), np.array([[0.0, 10.0], [50.0, 10.0]]), rigid(np.eye(3), foot), axis)
    corners = swept.vertices[swept.body.surface.faces] - foot
    off = np.hypot(corners[..., 0], corners[..., 1])
    sides = corners[(off > 9.0).all(axis=1)]
    assert len(sides) > 90
    for middle in (sides.mean(axis=1), *((sides + np.roll(sides, 1, axis=1)) / 2).transpose(1, 0, 2)):
        assert np.hypot(middle[:, 0], middle[:, 1]).min() > 10.0 - 1e-9
    for height in (0.0, 50.0):
        gain = swept.gains(foot + height * up, np.array([1.0, 0.0, 0.0]))["rod", "F1", "a"]
        assert gain == pytest.approx(height * 1e-4, abs=1e-12)
