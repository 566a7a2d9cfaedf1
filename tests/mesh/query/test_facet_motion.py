"""Contact along a shift and a turn: closed forms, a thin wall at random speeds, and what steps along the way find.

Covers: pipeline.mesh.query.facet_travel, pipeline.mesh.query.facet_turn
"""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation

from pipeline.geometry import Floats, Ints, rigid
from pipeline.mesh.query import (
    FacetTree,
    Meant,
    clear_from,
    facet_tree,
    first_contact,
    first_contact_turning,
    nearest_facets,
    turn_tree,
    turned_over,
)

UP = np.array([0.0, 0.0, 1.0])
X = np.array([1.0, 0.0, 0.0])
Y = np.array([0.0, 1.0, 0.0])


def tree(mesh: trimesh.Trimesh, shift: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> FacetTree:
    return facet_tree(mesh.vertices + np.array(shift), mesh.faces)


def turn_at(axis: Floats, point: Floats, turn: float) -> Floats:
    rotation = Rotation.from_rotvec(turn * axis).as_matrix()
    return rigid(rotation, point - rotation @ point)


def shift_by(way: Floats, run: float) -> Floats:
    return rigid(np.eye(3), run * way)


def gap(one: FacetTree, other: FacetTree, motion: Floats) -> float:
    near = nearest_facets(one, other, motion=motion)
    assert near is not None
    return near.distance


def random_body(random: np.random.Generator) -> tuple[Floats, Ints]:
    made = [
        trimesh.creation.icosphere(int(random.integers(0, 3))),
        trimesh.creation.box(random.uniform(0.2, 3.0, 3)),
        trimesh.creation.torus(2.0, 0.4, 16, 8),
    ][int(random.integers(3))]
    turn = Rotation.random(random_state=int(random.integers(2**31))).as_matrix()
    return made.vertices * random.uniform(0.3, 2.0, 3) @ turn.T, np.asarray(made.faces)


def test_a_ball_comes_to_a_ball() -> None:
    """Radii 5 and 3, middles 20 apart across 6: they meet at a gap of 0.5 after 20 - sqrt(8.5^2 - 6^2), less facets."""
    one, other = trimesh.creation.icosphere(5, 5.0), trimesh.creation.icosphere(5, 3.0)
    found = first_contact(tree(one), tree(other, (20.0, 6.0, 0.0)), X, 40.0, 0.5)
    sagitta = sum(r - np.linalg.norm(m.triangles_center, axis=1).min() for r, m in ((5.0, one), (3.0, other)))
    exact = 20.0 - np.sqrt(8.5**2 - 6.0**2)
    assert found is not None
    assert exact - 1e-6 <= found.run <= exact + sagitta * 8.5 / np.sqrt(8.5**2 - 6.0**2) + 1e-6
    assert found.near.distance == pytest.approx(0.5, abs=2e-9)


def test_boxes_meet_to_a_micron() -> None:
    """A corner against a face, an edge against an edge, and past it: closed forms."""
    cube = trimesh.creation.box((2.0, 2.0, 2.0))
    on_corner = cube.vertices @ Rotation.align_vectors([X], [np.ones(3) / np.sqrt(3)])[0].as_matrix().T
    found = first_contact(facet_tree(on_corner, cube.faces), tree(cube, (10.0, 0.0, 0.0)), X, 99.0)
    assert found is not None
    assert found.run == pytest.approx(9.0 - np.sqrt(3.0), abs=1e-8)
    edge, across = (cube.vertices @ Rotation.from_euler(a, 45, degrees=True).as_matrix().T for a in "zy")
    found = first_contact(facet_tree(edge, cube.faces), facet_tree(across + 10.0 * X, cube.faces), X, 99.0, 0.25)
    assert found is not None
    assert found.run == pytest.approx(10.0 - 2.0 * np.sqrt(2.0) - 0.25, abs=1e-8)
    assert first_contact(tree(cube), tree(cube, (10.0, 2.1, 0.0)), X, 99.0, 0.05) is None
    assert first_contact(tree(cube), tree(cube, (10.0, 2.1, 0.0)), X, 99.0, 0.2) is not None


def test_a_torus_comes_down_on_a_plane() -> None:
    """A ring of tube radius 2 tilted by 30 degrees about x: its lowest place is R sin 30 + r below its middle."""
    ring = trimesh.creation.torus(8.0, 2.0, 256, 128)
    tilted = ring.vertices @ Rotation.from_euler("x", 30, degrees=True).as_matrix().T
    plate = trimesh.creation.box((80.0, 80.0, 1.0))
    found = first_contact(facet_tree(tilted + 20.0 * UP, ring.faces), tree(plate, (0.0, 0.0, -0.5)), -UP, 99.0)
    low = 8.0 * np.sin(np.radians(30.0)) + 2.0
    assert found is not None
    sagitta = 2.0 * (1.0 - np.cos(np.pi / 128)) + 10.0 * (1.0 - np.cos(np.pi / 256))
    assert 20.0 - low - 1e-6 <= found.run <= 20.0 - low + sagitta


def test_a_lever_turns_against_a_wall() -> None:
    """A bar's corner at radius sqrt(100^2 + 2^2), 2 below the axis' plane, comes to a wall at y = 50."""
    bar = trimesh.creation.box((100.0, 4.0, 4.0))
    wall = trimesh.creation.box((300.0, 1.0, 50.0))
    vertices = bar.vertices + 50.0 * X
    trees = [
        turn_tree(v, f, np.zeros(3), UP) for v, f in ((vertices, bar.faces), (wall.vertices + 50.5 * Y, wall.faces))
    ]
    found = first_contact_turning(*trees, np.pi)
    assert found is not None
    reach = np.hypot(100.0, 2.0)
    exact = np.arcsin(50.0 / reach) - np.arctan2(2.0, 100.0)
    assert found.run * reach == pytest.approx(exact * reach, abs=1e-6)
    assert found.near.on_one[1] == pytest.approx(50.0, abs=1e-6)
    with_gap = first_contact_turning(*trees, np.pi, 0.5)
    assert with_gap is not None
    assert with_gap.run == pytest.approx(np.arcsin(49.5 / reach) - np.arctan2(2.0, 100.0), abs=1e-9)


def test_a_shaft_turns_in_its_bore() -> None:
    """On the axis it turns for ever; a key of 12 mm out meets a key of the bore, half their widths before."""
    bore, shaft = (
        trimesh.creation.cylinder(10.0, 40.0, sections=360),
        trimesh.creation.cylinder(9.9, 30.0, sections=400),
    )
    key, stop = trimesh.creation.box((4.0, 1.0, 10.0)), trimesh.creation.box((4.0, 1.0, 10.0))
    wall = bore.faces[np.abs(bore.face_normals @ UP) < 0.5]
    trees = [turn_tree(v, f, np.zeros(3), UP) for v, f in ((shaft.vertices, shaft.faces), (bore.vertices, wall))]
    assert first_contact_turning(*trees, 2.0 * np.pi, 0.05) is None
    keys = [turn_tree(v, key.faces, np.zeros(3), UP) for v in (key.vertices + 12.0 * X, stop.vertices - 12.0 * X)]
    found = first_contact_turning(*keys, 2.0 * np.pi)
    assert found is not None
    # The inner edges, 10 mm from the axis' middle plane, meet first: both half a mm from the radius through the keys.
    assert found.run == pytest.approx(np.pi - 2.0 * np.arctan2(0.5, 10.0), abs=1e-9)


def test_no_wall_is_passed_through() -> None:
    """A wall of 0.2 mm across the way, at random places, ways and turns: the ball always stops before it."""
    random = np.random.default_rng(5)
    ball = trimesh.creation.icosphere(2, 0.05)
    for _ in range(60):
        rotation = Rotation.random(random_state=int(random.integers(2**31))).as_matrix()
        wall = trimesh.creation.box((0.2, 40.0, 40.0))
        way = rotation @ random.normal(0.0, 1.0, 3)
        way /= np.linalg.norm(way)
        normal = rotation[:, 0] * np.sign(way @ rotation[:, 0])
        slant = float(way @ normal)
        if slant < 0.2:
            continue
        # It crosses the wall's middle plane within a few mm of its middle.
        far = float(random.uniform(5.0, 3000.0))
        start = rotation[:, 1:] @ random.uniform(-5.0, 5.0, 2) - far * way
        trees = facet_tree(ball.vertices + start, ball.faces), facet_tree(wall.vertices @ rotation.T, wall.faces)
        found = first_contact(*trees, way, 1e5)
        assert found is not None
        off = -float((start + found.run * way) @ normal)
        assert 0.1 + 0.045 < off < 0.1 + 0.05 + 1e-6
        # The same wall, met by a turn about an axis far off.
        axis = np.cross(normal, rotation[:, 1])
        centre = rotation[:, 1] * 500.0
        turned = turn_at(axis, centre, -float(random.uniform(0.1, 3.0)))
        there = ball.vertices @ turned[:3, :3].T + turned[:3, 3]
        about = [
            turn_tree(v, f, centre, axis) for v, f in ((there, ball.faces), (wall.vertices @ rotation.T, wall.faces))
        ]
        met = first_contact_turning(*about, 2.0 * np.pi - 1e-3)
        assert met is not None
        assert np.linalg.norm(met.near.on_one - met.near.on_other) < 1e-7
        assert abs(abs(float(met.near.on_other @ normal)) - 0.1) < 1e-3


@pytest.mark.parametrize("turns", [False, True])
def test_nothing_is_nearer_on_the_way(turns: bool) -> None:
    """Random pairs: at the contact the gap is what was asked, and steps before it find none that is smaller."""
    random = np.random.default_rng(11)
    met = 0
    for _ in range(40):
        one, other = random_body(random), random_body(random)
        off = random.normal(0.0, 3.0, 3)
        vertices = one[0] + off
        still = facet_tree(vertices, one[1]), facet_tree(*other)
        point, axis = random.normal(0.0, 2.0, 3), random.normal(0.0, 1.0, 3)
        axis = axis if turns else axis - off
        axis /= np.linalg.norm(axis)
        asked, up_to = float(random.choice([0.0, 0.1, 0.5])), 6.0
        if turns:
            about = turn_tree(vertices, one[1], point, axis), turn_tree(*other, point, axis)
            found = first_contact_turning(*about, up_to, asked)
        else:
            found = first_contact(*still, axis, up_to, asked)
        motion = partial(turn_at, axis, point) if turns else partial(shift_by, axis)
        end = up_to if found is None else found.run
        near_at_start = gap(*still, np.eye(4)) <= asked
        assert near_at_start == (end == 0.0)
        if not near_at_start:
            assert min(gap(*still, motion(run)) for run in np.linspace(0.0, end, 40)[:-1]) > asked
        if found is not None and end > 0.0:
            met += 1
            assert gap(*still, motion(end)) == pytest.approx(asked, abs=1e-7)
    assert met > 5


def test_the_shift_that_frees_is_the_first_one() -> None:
    """A peg in a comb of two teeth: free between the teeth, and not only beyond both."""
    peg = trimesh.creation.box((1.0, 1.0, 1.0))
    teeth = trimesh.util.concatenate([peg.copy().apply_translation((x, 0.0, 0.0)) for x in (0.25, 3.0)])
    trees = tree(peg), facet_tree(teeth.vertices, teeth.faces)
    free = clear_from(*trees, X, 50.0)
    assert free == pytest.approx(1.25, abs=1e-7)
    beyond = clear_from(*trees, X, 50.0, start=2.5)
    assert beyond == pytest.approx(4.0, abs=1e-7)
    assert clear_from(*trees, X, 1.0) is None
    assert clear_from(*trees, UP, 50.0) == pytest.approx(1.0, abs=1e-7)


def test_what_is_meant_to_fit_may_be_nearer() -> None:
    cube = trimesh.creation.box((2.0, 2.0, 2.0))
    trees = tree(cube), tree(cube, (10.0, 0.0, 0.0))
    all_of = np.ones(len(cube.faces), np.int64)
    fit = first_contact(*trees, X, 99.0, 1.0, Meant(all_of, all_of, np.array([0.25])))
    assert fit is not None
    assert fit.run == pytest.approx(7.75, abs=1e-8)
    assert first_contact(*trees, X, 99.0, 1.0, Meant(all_of, all_of, np.array([0.0]))) is None


def test_a_turn_back_and_a_tree_in_another_one_s_order() -> None:
    """A bar between two posts, one 40 degrees ahead and one 70 behind; tilted a little, by its old order and anew."""
    bar, post = trimesh.creation.box((100.0, 2.0, 2.0)), trimesh.creation.box((4.0, 4.0, 4.0))
    places = [90.0 * np.array([np.cos(t), np.sin(t), 0.0]) for t in np.radians([40.0, -70.0])]
    posts = trimesh.util.concatenate([post.copy().apply_translation(place) for place in places])
    one, other = (
        turn_tree(v, f, np.zeros(3), UP)
        for v, f in ((bar.vertices + 55.0 * X, bar.faces), (posts.vertices, posts.faces))
    )
    forward = first_contact_turning(one, other, 3.0)
    back = first_contact_turning(turned_over(one), turned_over(other), 3.0)
    assert forward is not None
    assert back is not None
    assert forward.near.on_other[1] > 0.0 > back.near.on_other[1]
    assert back.run - forward.run == pytest.approx(np.radians(30.0), abs=np.radians(4.0))
    tilted = (bar.vertices + 55.0 * X) @ Rotation.from_euler("y", 1, degrees=True).as_matrix().T
    runs = []
    for like in (None, one):
        found = first_contact_turning(turn_tree(tilted, bar.faces, np.zeros(3), UP, like), other, 3.0, 0.5)
        assert found is not None
        runs.append(found.run)
    assert runs[0] == pytest.approx(runs[1], abs=1e-9)
