"""Vectors against scikit-spatial and numpy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from skspatial.objects import Plane, Vector

from pipeline.geometry import (
    angle_between_directions,
    angle_between_lines,
    basis_of,
    cross,
    growing_sense,
    mean_line,
    perpendicular_pair,
    rejection,
    steady_pair,
    unit,
    unit_rows,
)

RNG = np.random.default_rng(7)
PAIRS = [tuple(RNG.normal(size=(2, 3))) for _ in range(40)]
DIRECTIONS = [*(v / np.linalg.norm(v) for v in RNG.normal(size=(40, 3))), *np.eye(3), *-np.eye(3)]


@pytest.mark.parametrize(("a", "b"), PAIRS)
def test_products_and_angles(a, b):
    assert_array_equal(cross(a, b), np.cross(a, b))
    assert_allclose(unit(a), Vector(a).unit(), rtol=1e-14)
    between = Vector(a).angle_between(Vector(b))
    assert math.isclose(angle_between_directions(a, b), between, abs_tol=1e-9)
    assert math.isclose(angle_between_lines(a, b), min(between, np.pi - between), abs_tol=1e-9)


def test_small_angles_keep_their_digits():
    """The arc cosine of the product knows an angle of 1e-9 not at all: it is 1 to the last bit."""
    b = np.array([math.cos(1e-9), math.sin(1e-9), 0.0])
    a = np.array([1.0, 0.0, 0.0])
    assert math.isclose(angle_between_directions(a, b), 1e-9, rel_tol=1e-12)
    assert math.isclose(angle_between_lines(a, -b), 1e-9, rel_tol=1e-12)
    assert math.isclose(angle_between_lines(np.array([0.0, 5.0, 0.0]), b), np.pi / 2 - 1e-9, rel_tol=1e-15)


@pytest.mark.parametrize("d", DIRECTIONS)
@pytest.mark.parametrize("pair_of", [perpendicular_pair, basis_of, steady_pair])
def test_pairs_are_square_and_right_handed(d, pair_of):
    u, v = pair_of(d)
    assert_allclose(np.array([u, v, d]) @ np.array([u, v, d]).T, np.eye(3), atol=1e-14)
    assert_allclose(np.cross(u, v), d, atol=1e-14)


@pytest.mark.parametrize("d", DIRECTIONS)
def test_basis_is_the_same_compiled_or_not(d):
    assert_array_equal(basis_of(d), np.array(perpendicular_pair(d)))
    assert_array_equal(basis_of(np.array([d, d]).T[:, 0]), basis_of(d))


def test_what_has_no_direction_has_the_axes():
    assert_array_equal(basis_of(None), [[1, 0, 0], [0, 1, 0]])


@pytest.mark.parametrize("axis", range(3))
def test_a_steady_pair_turns_as_little_as_the_direction(axis):
    tilts = [np.eye(3)[axis] + 1e-6 * np.roll([0.0, *way], axis) for way in ((1, 0), (0, 1), (-1, 0), (0, -1))]
    pairs = [np.array(steady_pair(unit(d))) for d in tilts]
    assert max(np.abs(p - pairs[0]).max() for p in pairs) < 1e-5
    others = [basis_of(unit(d)) for d in tilts]
    assert max(np.abs(p - others[0]).max() for p in others) > 0.5


@pytest.mark.parametrize("d", DIRECTIONS)
def test_rejection_is_the_shadow_on_the_plane_across(d):
    vectors = np.random.default_rng(3).normal(size=(5, 3))
    shadows = [Plane([0, 0, 0], d).project_vector(v) for v in vectors]
    assert_allclose(rejection(vectors, d), shadows, atol=1e-12)
    assert_allclose(rejection(vectors[0], d), shadows[0], atol=1e-12)


def test_rows_of_unit_length():
    rows = np.random.default_rng(4).normal(size=(6, 3))
    assert_allclose(unit_rows(rows), [Vector(r).unit() for r in rows], rtol=1e-14)
    assert_array_equal(unit_rows(np.zeros((2, 3))), np.zeros((2, 3)))


def test_mean_of_lines_is_the_principal_axis():
    """For lines near to one another it is the largest principal axis of their directions, whichever way they point."""
    rng = np.random.default_rng(5)
    lines = unit_rows(np.array([0.2, -0.5, 0.8]) + 1e-3 * rng.normal(size=(20, 3)))
    mixed = lines * rng.choice([-1.0, 1.0], size=(20, 1))
    principal = np.linalg.eigh(mixed.T @ mixed)[1][:, 2]
    mean = mean_line(list(mixed))
    assert angle_between_lines(mean, principal) < 1e-6
    assert mean @ mixed[0] > 0
    heavy = mean_line(list(mixed), [1.0, *[0.0] * 19])
    assert_allclose(heavy, mixed[0], rtol=1e-14)


def test_growing_sense():
    assert growing_sense(np.array([0.0, 0.0, -1.0])) == -1.0
    assert growing_sense(np.array([-0.5, 0.5, 0.5])) == 1.0
