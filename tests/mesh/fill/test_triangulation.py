"""Triangulations of rims: against scipy's Delaunay (Qhull), areas known in closed form, and all that there are."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from scipy.spatial import Delaunay

from pipeline.geometry import signed_area
from pipeline.mesh.fill.triangulation import (
    constrained_delaunay,
    half_edge_neighbours,
    hexagonal_lattice,
    is_simple,
    least_bending_triangles,
    refine_in_space,
    split_edges,
)
from pipeline.mesh.topology.adjacency import facet_neighbours


def _circle(n: int, radius: float) -> np.ndarray:
    angle = 2 * np.pi * np.arange(n) / n
    return radius * np.stack([np.cos(angle), np.sin(angle)], axis=1)


def _area(points: np.ndarray, triangles: np.ndarray) -> float:
    space = np.c_[points, np.zeros(len(points))] if points.shape[1] == 2 else points
    return float(trimesh.Trimesh(space, triangles, process=False).area)


def test_of_a_convex_rim_it_is_the_delaunay_triangulation() -> None:
    rng = np.random.default_rng(1)
    # A circle's corners would all lie on one circumcircle.
    rim = _circle(17, 10.0) * (1.0 + rng.uniform(0, 0.01, (17, 1)))
    inner = rng.uniform(-6, 6, (60, 2))
    made = constrained_delaunay(rim, (np.arange(17, dtype=np.int32),), inner)
    assert made is not None
    points, triangles = made
    np.testing.assert_array_equal(points, np.vstack([rim, inner]))
    ours = {frozenset(map(int, t)) for t in triangles}
    theirs = {frozenset(map(int, t)) for t in Delaunay(points).simplices}
    assert ours == theirs
    corners = points[triangles]
    u, w = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    assert (u[:, 0] * w[:, 1] - u[:, 1] * w[:, 0] > 0).all()


def test_a_ring_with_an_island_keeps_both_rims() -> None:
    rim, island = _circle(24, 10.0), _circle(12, 4.0)[::-1]
    loops = (np.arange(24, dtype=np.int32), np.arange(24, 36, dtype=np.int32))
    points = np.vstack([rim, island])
    made = constrained_delaunay(points, loops, hexagonal_lattice(points, loops, 1.5))
    assert made is not None
    points, triangles = made
    assert _area(points, triangles) == pytest.approx(signed_area(points[loops[0]]) + signed_area(points[loops[1]]))
    t, k = np.nonzero(half_edge_neighbours(triangles) < 0)
    border = {(int(triangles[i, e]), int(triangles[i, (e + 1) % 3])) for i, e in zip(t, k, strict=True)}
    assert border == {(int(a), int(b)) for loop in loops for a, b in zip(loop, np.roll(loop, -1), strict=True)}


def test_lines_that_cross_are_not_simple() -> None:
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], float)
    assert is_simple(square, (np.array([0, 1, 2, 3], np.int32),))
    assert not is_simple(square, (np.array([0, 2, 1, 3], np.int32),))


def test_lattice_points_lie_inside_and_as_thick_as_they_should() -> None:
    rim = _circle(90, 20.0)
    found = hexagonal_lattice(rim, (np.arange(90, dtype=np.int32),), 1.0)
    assert np.linalg.norm(found, axis=1).max() < 20.0
    # One point for each rhombus of two triangles.
    assert len(found) == pytest.approx(np.pi * 400 / np.sqrt(0.75), rel=0.01)


def _cost(points: np.ndarray, outside: np.ndarray, triangles: tuple[tuple[int, int, int], ...]) -> tuple[float, float]:
    """Largest 1 - cos over all edges, in steps of 1/16, and the area."""
    normal_at: dict[tuple[int, int], np.ndarray] = {}
    n, area, worst = len(points), 0.0, 0.0
    for a, b, c in triangles:
        normal = np.cross(points[b] - points[a], points[c] - points[a])
        area += np.linalg.norm(normal) / 2
        for edge in ((a, b), (b, c), (c, a)):
            normal_at[edge] = normal / np.linalg.norm(normal)
    for (a, b), normal in normal_at.items():
        across = outside[a] if b == (a + 1) % n else normal_at[b, a]
        worst = max(worst, 1.0 - float(normal @ across))
    return np.ceil(worst * 16.0) / 16.0, area


def test_of_the_two_ways_to_fill_four_corners_the_one_that_bends_less_is_taken() -> None:
    rng = np.random.default_rng(4)
    taken = set()
    for _ in range(50):
        points = np.c_[_circle(4, 10.0), rng.normal(0, 4, 4)]
        outside = np.array([0.0, 0.0, 1.0]) + rng.normal(0, 0.3, (4, 3))
        outside /= np.linalg.norm(outside, axis=1, keepdims=True)
        found = least_bending_triangles(points, outside)
        assert found is not None
        ways = (((0, 1, 2), (0, 2, 3)), ((0, 1, 3), (1, 2, 3)))
        best = min(ways, key=lambda way: _cost(points, outside, way))
        assert {tuple(t) for t in found.tolist()} == set(best)
        taken.add(best)
    assert len(taken) == 2


def test_a_long_rim_is_filled_in_pieces() -> None:
    n = 400
    rim = np.c_[_circle(n, 10.0), np.zeros(n)]
    found = least_bending_triangles(rim, np.tile([0.0, 0.0, 1.0], (n, 1)))
    assert found is not None
    assert len(found) == n - 2
    assert _area(rim, found) == pytest.approx(signed_area(rim[:, :2]))


def test_refining_and_splitting_keep_the_area_and_shorten_the_edges() -> None:
    rim = np.c_[_circle(12, 10.0), np.zeros(12)]
    triangles = least_bending_triangles(rim, np.tile([0.0, 0.0, 1.0], (12, 1)))
    assert triangles is not None
    points, finer = refine_in_space(rim, triangles, 3.0)
    assert _area(points, finer) == pytest.approx(_area(rim, triangles))
    inner = half_edge_neighbours(finer) >= 0
    lengths = np.linalg.norm(points[finer] - points[np.roll(finer, -1, axis=1)], axis=2)
    assert lengths[inner].max() <= 1.4 * 3.0
    edge = next((t[k], t[(k + 1) % 3]) for t, row in zip(finer, inner, strict=True) for k in range(3) if row[k])
    more, halves = split_edges(points, finer, np.array([edge], np.int32))
    np.testing.assert_allclose(more[-1], points[list(edge)].mean(axis=0))
    assert len(halves) == len(finer) + 2
    assert _area(more, halves) == pytest.approx(_area(points, finer))


def test_refining_a_folded_sheet_comes_to_an_end() -> None:
    """A rim that runs back over itself: two facets on the edge from corner 2 to 6 lie on each other nearly."""
    x = [0.28, 0.52, 0.0, -0.52, 0.11, 1.1, -1.34, 0.69, 1.69, 1.15, 1.75]
    y = [-1.76, -0.75, 0.0, 0.79, 1.54, 0.86, -1.14, 0.09, -0.58, -1.58, -3.31]
    rim = np.column_stack([x, y, [-0.16, 0.1, 0.0, -0.1, 0.26, 0.6, -0.1, 0.31, 0.63, 0.23, 0.22]])
    triangles = [[0, 9, 10], [0, 1, 9], [1, 8, 9], [1, 7, 8], [1, 2, 7], [2, 6, 7], [2, 5, 6], [2, 4, 5], [2, 3, 4]]
    points, finer = refine_in_space(rim, np.array(triangles, np.int32), 1.247)
    apart = np.linalg.norm(points[:, None] - points, axis=2) + 9.0 * np.eye(len(points))
    assert apart.min() > 0.1 * 1.247
    assert len(finer) == len(triangles) + 2 * (len(points) - len(rim))


def test_neighbours_across_half_edges_are_those_across_edges() -> None:
    ball = trimesh.creation.icosphere(subdivisions=2)
    faces = np.asarray(ball.faces, np.int32)
    np.testing.assert_array_equal(half_edge_neighbours(faces), facet_neighbours(faces, len(ball.vertices)))
