"""Faces of exact tessellations that trimesh draws: kinds, sizes, sides, and which facets are whose."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from pipeline.features.segmentation.tessellation import _beyond, faces_of
from pipeline.mesh.topology import facet_areas, facet_neighbours, facet_normals
from pipeline.surfaces import KINDS, Shape, pack, signed_distance

NAMES = tuple(KINDS)


def found_on(mesh, kinds=NAMES, least=0.0):
    """Labels of the facets, and of each face its kind, shape, sign and how many facets it has; `mesh` is moved away."""
    turn = trimesh.transformations.rotation_matrix(0.7, (1, 2, 3))
    turn[:3, 3] = 11.0, -7.0, 5.0
    v = trimesh.transformations.transform_points(mesh.vertices, turn)
    f = mesh.faces.astype(np.int32)
    allowed = np.array([name in kinds for name in NAMES])
    label, (codes, shapes, signs) = faces_of(
        v, f, facet_normals(v, f), facet_areas(v, f), facet_neighbours(f, len(v)), allowed, least
    )
    counts = np.bincount(label[label >= 0], minlength=len(codes))
    faces = [
        (NAMES[code], KINDS[NAMES[code]].unpack(packed), sign, count)
        for code, packed, sign, count in zip(codes, shapes, signs, counts, strict=True)
    ]
    return label, faces


def test_a_cylinder_has_a_boss_and_two_ends():
    mesh = trimesh.creation.cylinder(radius=20.0, height=30.0, sections=64)
    label, faces = found_on(mesh)
    assert (label >= 0).all()
    assert sorted(kind for kind, *_ in faces) == ["cylinder", "plane", "plane"]
    _, shape, sign, count = next(face for face in faces if face[0] == "cylinder")
    assert sign == 1.0
    assert shape.radius == pytest.approx(20.0, abs=1e-5)
    # Facets that aren't square to the axis.
    assert count == (np.abs(mesh.face_normals[:, 2]) < 0.5).sum()


def test_a_tube_has_a_boss_and_a_bore():
    mesh = trimesh.creation.annulus(r_min=10.0, r_max=20.0, height=8.0, sections=64)
    label, faces = found_on(mesh)
    assert (label >= 0).all()
    round_ones = sorted((shape.radius, sign) for kind, shape, sign, _ in faces if kind == "cylinder")
    assert [sign for _, sign in round_ones] == [-1.0, 1.0]
    assert [radius for radius, _ in round_ones] == pytest.approx([10.0, 20.0], abs=1e-5)
    flat = [shape for kind, shape, *_ in faces if kind == "plane"]
    assert len(flat) == 2
    assert flat[0].direction @ flat[1].direction == pytest.approx(-1.0)
    assert abs((flat[0].point - flat[1].point) @ flat[0].direction) == pytest.approx(8.0, abs=1e-6)


def test_a_ball_is_one_sphere():
    label, faces = found_on(trimesh.creation.icosphere(subdivisions=3, radius=30.0))
    assert (label == 0).all()
    ((kind, shape, sign, _),) = faces
    assert (kind, sign) == ("sphere", 1.0)
    assert shape.radius == pytest.approx(30.0, abs=1e-5)
    assert shape.point == pytest.approx((11.0, -7.0, 5.0), abs=1e-5)


def test_a_ring_is_one_torus():
    label, faces = found_on(trimesh.creation.torus(30.0, 8.0, major_sections=128, minor_sections=64))
    assert (label == 0).all()
    ((kind, shape, _, _),) = faces
    assert kind == "torus"
    assert (shape.radius, shape.major_radius) == pytest.approx((8.0, 30.0), abs=1e-4)


def test_a_box_has_six_planes_and_small_ones_can_be_left_out():
    box = trimesh.creation.box((20.0, 30.0, 4.0))
    label, faces = found_on(box)
    assert [kind for kind, *_ in faces] == ["plane"] * 6
    assert all(count == 2 for *_, count in faces)
    label, faces = found_on(box, least=100.0)
    assert [kind for kind, *_ in faces] == ["plane"] * 4
    assert (label < 0).sum() == 4  # the two of 80 mm2


def test_only_the_kinds_asked_for():
    mesh = trimesh.creation.cylinder(radius=20.0, height=30.0, sections=64)
    label, faces = found_on(mesh, kinds=("cylinder",))
    assert [kind for kind, *_ in faces] == ["cylinder"]
    assert ((label < 0) == (np.abs(mesh.face_normals[:, 2]) > 0.5)).all()


def test_a_free_form_has_no_face():
    # Waves in two directions: facets lie with their neighbours on no plane, cylinder, cone, sphere or torus.
    x, y = np.meshgrid(np.arange(40.0), np.arange(40.0), indexing="ij")
    z = 3.0 * np.sin(x / 5.0) * np.cos(y / 7.0) + 0.3 * np.sin(x * y / 90.0)
    index = np.arange(1600).reshape(40, 40)
    a, b, c, d = (i.ravel() for i in (index[:-1, :-1], index[1:, :-1], index[1:, 1:], index[:-1, 1:]))
    faces = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
    label, found = found_on(trimesh.Trimesh(np.column_stack([x.ravel(), y.ravel(), z.ravel()]), faces, process=False))
    assert (label < 0).mean() > 0.95, [kind for kind, *_ in found]


@pytest.mark.parametrize("share", [0.05, 0.5, 0.999, 1.001, 2.0, 20.0])
@pytest.mark.parametrize("spike", [False, True])
def test_the_sum_of_squares_never_says_other_than_the_farthest_point(share: float, spike: bool):
    """Bounds where the sum decides, from above and below, and where each point has to be looked at."""
    ball = Shape("sphere", np.zeros(3), radius=5.0)
    points = np.random.default_rng(7).normal(size=(20, 3))
    points *= (5.0 + np.random.default_rng(8).normal(scale=0.01, size=(20, 1))) / np.linalg.norm(points, axis=1)[
        :, None
    ]
    if spike:
        points[3] *= 1.3
    away = np.abs(signed_distance(ball, points))
    bound = share * away.max()
    assert _beyond(KINDS["sphere"].code, pack(ball), points, float(away @ away), bound) == (share < 1.0)
