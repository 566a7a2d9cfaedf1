"""Distances against closed forms.

Covers: pipeline.mesh.query.facet_points
"""

from __future__ import annotations

from types import SimpleNamespace

import numba
import numpy as np
import open3d
import pytest
import trimesh

from pipeline.mesh.query.distance import Scene
from pipeline.mesh.query.facet_points import nearest_on_facet, spread_points
from pipeline.values.surface import Surface
from tests.needles import thin_facets


def _box() -> Surface:
    box = trimesh.creation.box((20.0, 30.0, 40.0))
    return Surface.measured(box.vertices + 100.0, box.faces)


def test_distance_to_a_box_is_the_closed_form() -> None:
    points = np.random.default_rng(0).uniform(60, 140, (5000, 3))
    away = np.abs(points - 100.0) - (10.0, 15.0, 20.0)
    outside = np.linalg.norm(np.clip(away, 0, None), axis=1)
    inside = np.clip(away.max(axis=1), None, 0)
    np.testing.assert_allclose(Scene(_box()).distance(points), outside - inside, atol=1e-9)


def test_closest_points_lie_on_their_facets() -> None:
    surface = _box()
    points = np.random.default_rng(1).uniform(60, 140, (500, 3))
    distance, facet, near = Scene(surface).closest(points)
    np.testing.assert_allclose(np.linalg.norm(points - near, axis=1), distance, atol=1e-12)
    a, b, c = (surface.vertices[surface.faces[facet, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    assert np.abs(np.einsum("ij,ij->i", near - a, normal)).max() < 1e-9


def test_nearest_point_on_a_facet_against_a_fine_search() -> None:
    rng = np.random.default_rng(2)
    steps = np.array([(i, j) for i in range(201) for j in range(201 - i)]) / 200
    for _ in range(40):
        a, b, c, p = rng.normal(size=(4, 3))
        found = np.array(nearest_on_facet(tuple(p), tuple(a), tuple(b), tuple(c)))
        grid = a + steps[:, :1] * (b - a) + steps[:, 1:] * (c - a)
        best = np.linalg.norm(grid - p, axis=1).min()
        assert np.linalg.norm(found - p) <= best + 1e-12
        assert np.linalg.norm(found - p) >= best - 0.02


def test_points_are_spread_evenly_over_the_area() -> None:
    surface = _box()
    points, facet = spread_points(surface.vertices, surface.faces, 26_000)
    top = np.isclose(points[:, 2], 120.0)
    # The top is 600 of 5200 mm2.
    assert abs(top.sum() - 3000) <= 2
    assert len(facet) == len(points)


def test_a_needle_is_thin_and_a_square_half_is_not() -> None:
    vertices = np.array([[0, 0, 0], [1, 0, 0], [0.5, 1e-6, 0], [0, 1, 0]], float)
    faces = np.array([[0, 1, 2], [0, 1, 3]])
    assert thin_facets(vertices, faces).tolist() == [True, False]


def test_a_scene_of_anything_with_vertices_and_faces() -> None:
    flat = SimpleNamespace(vertices=np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0]], float), faces=np.array([[0, 1, 2]]))
    assert Scene(flat).distance([[0.2, 0.2, 5.0]])[0] == 5.0


def _bumpy(count: int) -> Surface:
    """A sheet of 2 count^2 facets, whose edges and corners many points are equally near to."""
    x, y = np.meshgrid(np.arange(count + 1.0), np.arange(count + 1.0))
    points = np.column_stack([x.ravel(), y.ravel(), 2.0 * np.cos(0.7 * x.ravel()) * np.cos(0.4 * y.ravel())])
    a = (np.arange(count)[:, None] * (count + 1) + np.arange(count)).reshape(-1, 1)
    faces = np.vstack([np.add(a, [0, 1, count + 2]), np.add(a, [0, count + 2, count + 1])])
    return Surface.measured(points, faces.astype(np.int32))


def test_the_nearest_facet_against_another_library() -> None:
    """open3d's RaycastingScene (Embree) searches in single precision: what it finds is never nearer."""
    surface = _bumpy(120)
    points = np.random.default_rng(3).uniform([-20, -20, -9], [140, 140, 9], (20_000, 3))
    distance, _, _ = Scene(surface).closest(points)
    other = open3d.t.geometry.RaycastingScene()
    other.add_triangles(
        open3d.core.Tensor(surface.vertices.astype(np.float32)), open3d.core.Tensor(surface.faces.astype(np.uint32))
    )
    theirs = other.compute_distance(open3d.core.Tensor(points.astype(np.float32))).numpy()
    np.testing.assert_allclose(distance, theirs, atol=2e-4)
    np.testing.assert_array_equal(Scene(surface).distance(points), distance)


@pytest.mark.parametrize("near", ["unknown", "anything", "the nearest"])
def test_points_that_lie_close_together_beside_large_facets(near: str) -> None:
    # Along a line in small steps, close to a torus and away from it: few facets are in question, or many.
    made = trimesh.creation.torus(30.0, 10.0, major_sections=40, minor_sections=20)
    surface = Surface.measured(made.vertices, made.faces)
    t = np.linspace(0.0, 40.0, 6000)[:, None]
    out = 10.0 + 0.3 * np.sin(5.0 * t) + np.where(t > 20.0, 25.0, 0.0)
    round_z = np.concatenate([np.cos(t), np.sin(t), 0.0 * t], axis=1)
    points = 30.0 * round_z + out * (np.cos(7.0 * t) * round_z + np.sin(7.0 * t) * [0.0, 0.0, 1.0])
    scene = open3d.t.geometry.RaycastingScene()
    scene.add_triangles(made.vertices.astype(np.float32), made.faces.astype(np.uint32))
    known = scene.compute_distance(points.astype(np.float32)).numpy()
    here = Scene(surface)
    facet = here.closest(points)[1]
    begin = {"unknown": None, "anything": np.full(len(t), 7, np.int32), "the nearest": facet.copy()}[near]
    # Single precision in the library: 60 mm are known to some 4e-6 mm.
    np.testing.assert_allclose(here.distance(points, begin), known, atol=2e-5)
    if begin is not None:
        assert np.array_equal(begin, facet)


def test_of_equally_near_facets_the_first_is_found_in_any_order_and_on_any_number_of_threads(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    surface = _bumpy(40)
    corners = surface.vertices[surface.faces[::7]].reshape(-1, 3)
    first = np.array([np.flatnonzero((surface.faces == v).any(axis=1))[0] for v in surface.faces[::7].ravel()])
    np.testing.assert_array_equal(Scene(surface).closest(corners)[1], first)
    threads = numba.get_num_threads()
    numba.set_num_threads(1)
    again = Scene(surface).closest(corners[::-1])[1]
    numba.set_num_threads(threads)
    np.testing.assert_array_equal(again[::-1], first)
    # A large mesh that few ask keeps its facets' order; what is found is the same.
    monkeypatch.setattr("pipeline.mesh.query.distance._MANY", 0)
    np.testing.assert_array_equal(Scene(surface).closest(corners[:9])[1], first[:9])
