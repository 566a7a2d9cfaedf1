"""Polygons against scipy's hulls and scikit-image; triangles against trimesh.

Covers: pipeline.geometry.triangles
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import trimesh
from numpy.testing import assert_allclose, assert_array_equal
from scipy.spatial import ConvexHull, Delaunay
from skimage.measure import approximate_polygon, points_in_poly

from pipeline.geometry import (
    arc_lengths,
    area_vector,
    area_vectors,
    contains,
    side_lengths,
    signed_area,
    simplified,
    step_lengths,
)

RNG = np.random.default_rng(21)


def star() -> np.ndarray:
    angles = np.sort(RNG.uniform(0, 2 * np.pi, 40))
    return np.column_stack([np.cos(angles), np.sin(angles)]) * RNG.uniform(0.3, 1.0, 40)[:, None]


@pytest.mark.parametrize("seed", range(5))
def test_area_and_lengths_of_a_convex_polygon(seed):
    points = np.random.default_rng(seed).normal(size=(30, 2))
    hull = ConvexHull(points)
    polygon = points[hull.vertices]
    assert math.isclose(signed_area(polygon), hull.volume, rel_tol=1e-12)  # in the plane the "volume" is the area
    assert math.isclose(signed_area(polygon[::-1]), -hull.volume, rel_tol=1e-12)
    assert math.isclose(side_lengths(polygon).sum(), hull.area, rel_tol=1e-12)  # and the "area" the perimeter
    assert math.isclose(arc_lengths(np.vstack([polygon, polygon[:1]]))[-1], hull.area, rel_tol=1e-12)
    assert_allclose(np.diff(arc_lengths(polygon)), step_lengths(polygon), rtol=1e-9)


def test_lengths_in_space_are_chords_of_a_circle():
    """A regular n-gon in a circle has sides 2 r sin(pi / n)."""
    turns = np.arange(12) * np.pi / 6
    ring = np.column_stack([5 * np.cos(turns), 5 * np.sin(turns), np.full(12, 3.0)])
    assert_allclose(side_lengths(ring), 10 * np.sin(np.pi / 12), rtol=1e-12)


def test_points_in_a_star_and_its_opening():
    polygon, points = star(), RNG.uniform(-1.1, 1.1, (500, 2))
    assert_array_equal(contains([polygon], points), points_in_poly(points, polygon))
    opened = points_in_poly(points, polygon) & ~points_in_poly(points, 0.4 * polygon)
    assert_array_equal(contains([polygon, 0.4 * polygon[::-1]], points), opened)


@pytest.mark.parametrize("seed", range(3))
def test_area_vector_is_the_sum_of_the_triangles_that_fill_it(seed):
    """Of any surface that the line bounds the area vectors sum up to the same (Stokes): here of a fan from a point."""
    loop = np.random.default_rng(seed).normal(size=(9, 3))
    fan = np.stack([np.broadcast_to([3.0, 1.0, -2.0], loop.shape), loop, np.roll(loop, -1, axis=0)], axis=1)
    assert_allclose(area_vector(loop), trimesh.triangles.cross(fan).sum(axis=0), rtol=1e-9)


@pytest.mark.parametrize("tolerance", [0.02, 0.1, 0.5])
def test_simplified_as_douglas_and_peucker(tolerance):
    x = np.linspace(0, 6, 200)
    run = np.column_stack([x, np.sin(x) + 0.02 * RNG.normal(size=200)])
    kept = simplified(run, [0, 199], tolerance)
    assert_array_equal(run[kept], approximate_polygon(run, tolerance))


def test_triangles():
    corners = RNG.normal(size=(50, 3, 3))
    assert_allclose(area_vectors(corners), trimesh.triangles.cross(corners), rtol=1e-12)
    assert_allclose(np.linalg.norm(area_vectors(corners), axis=1) / 2, trimesh.triangles.area(corners), rtol=1e-12)


@pytest.mark.parametrize("seed", range(5))
def test_contains_agrees_with_a_triangulation(seed: int) -> None:
    rng = np.random.default_rng(seed)
    corners = rng.uniform(0, 1, (12, 2))
    hull = corners[Delaunay(corners).convex_hull[:, 0]]
    hull = hull[np.argsort(np.arctan2(*(hull - hull.mean(0)).T[::-1]))]
    probes = rng.uniform(-0.2, 1.2, (500, 2))
    assert_array_equal(contains([hull], probes), Delaunay(hull).find_simplex(probes) >= 0)
