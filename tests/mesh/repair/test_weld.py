"""Welding: equal to the bit, in order of appearance, whatever the chunks."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from pipeline.mesh.repair.weld import Welder, weld, weld_points


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_a_soup_gets_its_vertices_back(dtype: type) -> None:
    ball = trimesh.creation.icosphere(4)
    corners = ball.triangles.astype(dtype)
    vertices, faces = weld(corners)
    # Euler: a closed ball of m facets has m / 2 + 2 vertices.
    assert len(vertices) == len(faces) // 2 + 2
    np.testing.assert_array_equal(vertices[faces].astype(dtype), corners)
    # The first facet's corners come first.
    np.testing.assert_array_equal(faces[0], [0, 1, 2])


def test_the_number_of_a_point_does_not_depend_on_the_chunks() -> None:
    points = np.random.default_rng(1).integers(0, 30, (20_000, 3)).astype(np.float32)
    whole = Welder(10)
    index = whole.add(points)
    pieces = Welder(1_000_000)
    parts = [pieces.add(points[start : start + 777]) for start in range(0, len(points), 777)]
    np.testing.assert_array_equal(index, np.concatenate(parts))
    np.testing.assert_array_equal(whole.vertices(), pieces.vertices())


def test_agrees_with_numpy_on_which_points_are_equal() -> None:
    points = np.random.default_rng(2).integers(0, 12, (5_000, 3)) * 0.1
    vertices, index = weld_points(points)
    expected, inverse = np.unique(points, axis=0, return_inverse=True)
    assert len(vertices) == len(expected)
    np.testing.assert_array_equal(vertices[index], expected[inverse.ravel()])


def test_minus_zero_is_zero() -> None:
    vertices, index = weld_points(np.array([[0.0, 0.0, 1.0], [-0.0, 0.0, 1.0]]))
    assert len(vertices) == 1
    assert index.tolist() == [0, 0]


def test_points_one_bit_apart_stay_apart() -> None:
    x = np.float32(1.0)
    vertices, _ = weld_points(np.array([[x, 0, 0], [np.nextafter(x, np.float32(2)), 0, 0]], dtype=np.float32))
    assert len(vertices) == 2
