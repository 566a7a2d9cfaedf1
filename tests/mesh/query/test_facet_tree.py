"""Distance of two meshes over whole facets, against a collision library and closed forms.

Covers: pipeline.mesh.query.facet_tree, pipeline.mesh.query.facet_pairs, pipeline.mesh.query.facet_distance
"""

from __future__ import annotations

import fcl
import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation

from pipeline.geometry import Floats, Ints
from pipeline.mesh.query import Meant, crossing_facets, facet_tree, nearest_facets

UP = np.array([0.0, 0.0, 1.0])


def _random_body(random: np.random.Generator) -> tuple[Floats, Ints]:
    made = [
        trimesh.creation.icosphere(int(random.integers(0, 3))),
        trimesh.creation.box(random.uniform(0.2, 3.0, 3)),
        trimesh.creation.cylinder(
            random.uniform(0.2, 2.0), random.uniform(0.2, 4.0), sections=int(random.integers(5, 40))
        ),
    ][int(random.integers(3))]
    turn = Rotation.random(random_state=int(random.integers(2**31))).as_matrix()
    return made.vertices * random.uniform(0.3, 2.0, 3) @ turn.T, np.asarray(made.faces)


def _by_fcl(one: tuple[Floats, Ints], other: tuple[Floats, Ints]) -> tuple[float, set[tuple[int, int]]]:
    """Distance, and the pairs of facets that cross, by python-fcl (Flexible Collision Library)."""
    objects = []
    for vertices, faces in (one, other):
        model = fcl.BVHModel()
        model.beginModel(len(vertices), len(faces))
        model.addSubModel(vertices, faces)
        model.endModel()
        objects.append(fcl.CollisionObject(model))
    found = fcl.CollisionResult()
    if fcl.collide(*objects, fcl.CollisionRequest(num_max_contacts=1_000_000, enable_contact=True), found):
        return 0.0, {(contact.b1, contact.b2) for contact in found.contacts}
    return fcl.distance(*objects, fcl.DistanceRequest(), fcl.DistanceResult()), set()


def _compare(pairs: int, seed: int) -> int:
    """How many of random pairs cross, all of them as fcl has them."""
    random = np.random.default_rng(seed)
    crossing = 0
    for n in range(pairs):
        one, other = _random_body(random), _random_body(random)
        other = (other[0] + random.normal(0.0, 1.0 if n % 4 == 0 else 3.0, 3), other[1])
        trees = facet_tree(*one), facet_tree(*other)
        near, crossed = nearest_facets(*trees), {tuple(pair) for pair in crossing_facets(*trees).tolist()}
        distance, by_fcl = _by_fcl(one, other)
        assert near is not None
        assert near.distance == pytest.approx(distance, abs=1e-9)
        assert np.linalg.norm(near.on_one - near.on_other) == pytest.approx(near.distance, abs=1e-12)
        assert crossed == by_fcl
        crossing += bool(by_fcl)
    return crossing


def test_random_pairs_as_a_collision_library_has_them() -> None:
    assert _compare(150, 1) > 20


@pytest.mark.slow
def test_a_thousand_random_pairs_two_hundred_of_them_crossing() -> None:
    assert _compare(1200, 2) >= 200


def test_closed_forms() -> None:
    """Two cubes corner to corner, edge to edge crosswise, and face to face."""
    cube = trimesh.creation.box((2.0, 2.0, 2.0))
    tree = facet_tree(cube.vertices, cube.faces)
    far = nearest_facets(tree, facet_tree(cube.vertices + np.array([3.0, 4.0, 5.0]), cube.faces))
    assert far is not None
    assert far.distance == pytest.approx(np.sqrt(1.0 + 4.0 + 9.0), abs=1e-12)
    on_edge = Rotation.from_euler("x", 45, degrees=True).as_matrix()
    across = Rotation.from_euler("y", 45, degrees=True).as_matrix()
    low, high = cube.vertices @ on_edge.T, cube.vertices @ across.T + 5.0 * UP
    edges = nearest_facets(facet_tree(low, cube.faces), facet_tree(high, cube.faces))
    assert edges is not None
    assert edges.distance == pytest.approx(5.0 - 2.0 * np.sqrt(2.0), abs=1e-12)
    faces = nearest_facets(tree, facet_tree(cube.vertices + 2.25 * UP, cube.faces))
    assert faces is not None
    assert faces.distance == pytest.approx(0.25, abs=1e-15)


def _sagitta(radius: float, sections: int) -> float:
    return radius * (1.0 - np.cos(np.pi / sections))


@pytest.mark.parametrize("seed", range(6))
def test_curved_bodies_by_closed_forms(seed: int) -> None:
    """Balls, a cylinder over a box's edge, a ring over a plane, anyhow turned: within the facets' own sagitta.

    A facet lies inside what it stands for, so the distance is never smaller than that of the surfaces.
    """
    random = np.random.default_rng(seed)
    turn = Rotation.random(random_state=seed + 50).as_matrix()
    made: list[tuple[trimesh.Trimesh, trimesh.Trimesh, float, float]] = []
    one, other = trimesh.creation.icosphere(4, 7.0), trimesh.creation.icosphere(4, 3.0)
    way = random.normal(0.0, 1.0, 3)
    far = float(random.uniform(10.5, 20.0))
    inside = sum(r - np.linalg.norm(m.triangles_center, axis=1).min() for r, m in ((7.0, one), (3.0, other)))
    made.append((one, other.copy().apply_translation(far * way / np.linalg.norm(way)), far - 10.0, inside))
    # Along y, the axis above an edge of a box whose corner looks up.
    radius, high = float(random.uniform(1.0, 6.0)), float(random.uniform(8.0, 15.0))
    round_bar = trimesh.creation.cylinder(radius, 30.0, sections=120).apply_transform(
        trimesh.transformations.rotation_matrix(np.pi / 2, [1, 0, 0])
    )
    box = trimesh.creation.box((8.0, 60.0, 8.0)).apply_transform(
        trimesh.transformations.rotation_matrix(np.pi / 4, [0, 1, 0])
    )
    round_bar.apply_translation([float(random.uniform(-0.5, 0.5)), 0.0, 4.0 * np.sqrt(2.0) + high])
    off = float(np.hypot(round_bar.vertices[:, 0].mean(), high))
    made.append((round_bar, box, off - radius, _sagitta(radius, 120)))
    tilt = float(random.uniform(0.1, 1.2))
    ring = trimesh.creation.torus(8.0, 2.0, 200, 100).apply_transform(
        trimesh.transformations.rotation_matrix(tilt, [1, 0, 0])
    )
    plate = trimesh.creation.box((80.0, 80.0, 1.0)).apply_translation([0.0, 0.0, -20.5])
    made.append((ring, plate, 20.0 - 8.0 * np.sin(tilt) - 2.0, _sagitta(2.0, 100) + _sagitta(10.0, 200)))
    for first, second, exact, short in made:
        near = nearest_facets(*(facet_tree(m.vertices @ turn.T, m.faces) for m in (first, second)))
        assert near is not None
        assert exact - 1e-9 <= near.distance <= exact + short + 1e-9


def test_a_shaft_in_its_bore() -> None:
    """Tubes of many facets one in the other: no farther apart than their radii say, nor nearer than their chords."""
    bore = trimesh.creation.cylinder(10.0, 40.0, sections=256)
    shaft = trimesh.creation.cylinder(9.5, 50.0, sections=180)
    wall = np.abs(bore.face_normals @ UP) < 0.5
    near = nearest_facets(facet_tree(bore.vertices, bore.faces[wall]), facet_tree(shaft.vertices, shaft.faces))
    assert near is not None
    assert 0.5 - 10.0 * (1.0 - np.cos(np.pi / 256)) <= near.distance <= 0.5


def test_facets_that_are_meant_to_be_near_do_not_count() -> None:
    square = np.array([[0.0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]])
    faces = np.array([[0, 1, 2], [0, 2, 3]])
    low, high = facet_tree(square, faces), facet_tree(square * [1, 1, 0] + [0, 0, 0.5], faces)
    first = np.array([1, 0], np.int64)
    both = np.array([1, 1], np.int64)
    meant = nearest_facets(low, high, meant=Meant(both, both, np.array([0.4])))
    assert meant is None
    nearer = nearest_facets(low, high, meant=Meant(both, both, np.array([0.6])))
    assert nearer is not None
    assert nearer.distance == 0.5
    half = nearest_facets(low, high, meant=Meant(first, both, np.array([0.4])))
    assert half is not None
    assert half.facets[0] == 1


def test_nothing_within_reach() -> None:
    tri = np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0]])
    trees = facet_tree(tri, [[0, 1, 2]]), facet_tree(tri + 2.0 * UP, [[0, 1, 2]])
    assert nearest_facets(*trees, within=2.0) is None
    assert nearest_facets(*trees, within=2.1) is not None
    with pytest.raises(ValueError, match="no tree"):
        facet_tree(tri, np.empty((0, 3), int))


def test_a_facet_without_area_has_a_distance_too() -> None:
    needle = np.array([[0.0, 0, 1], [1, 0, 1], [2, 0, 1]])
    tri = np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0]])
    near = nearest_facets(facet_tree(needle, [[0, 1, 2]]), facet_tree(tri, [[0, 1, 2]]))
    assert near is not None
    assert near.distance == pytest.approx(1.0, abs=1e-15)
