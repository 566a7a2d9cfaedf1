"""Rigid motions against scipy's rotations."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.spatial.transform import Rotation

from pipeline.geometry import (
    into_frame,
    rigid,
    rotation_angle,
    small_motion,
    transformed,
    turn_levers,
    turned,
    undone,
)

TURNS = [*np.random.default_rng(11).normal(size=(12, 3)), np.array([0.0, 0.0, np.pi]), np.array([1e-9, 0.0, 0.0])]


@pytest.mark.parametrize("turn", TURNS)
def test_points_directions_and_back(turn):
    rotation, shift = Rotation.from_rotvec(turn), np.array([10.0, -3.0, 0.5])
    motion = rigid(rotation.as_matrix(), shift)
    points = np.random.default_rng(1).normal(size=(7, 3)) * 100
    assert_allclose(transformed(motion, points), rotation.apply(points) + shift, atol=1e-11)
    assert_allclose(transformed(motion, points[0]), rotation.apply(points[0]) + shift, atol=1e-11)
    many = np.tile(points, (1 + 100_000 // len(points), 1))
    assert_allclose(transformed(motion, many), rotation.apply(many) + shift, atol=1e-11)
    assert_allclose(turned(motion, points), rotation.apply(points), atol=1e-11)
    assert_allclose(transformed(undone(motion), transformed(motion, points)), points, atol=1e-11)
    assert_allclose(undone(motion)[:3, :3], rotation.inv().as_matrix(), atol=1e-14)


@pytest.mark.parametrize("turn", TURNS)
def test_a_frame_sees_its_origin_at_nought_and_its_axes_along_its_own(turn):
    axes, origin = Rotation.from_rotvec(turn).as_matrix(), np.array([5.0, 6.0, 7.0])
    motion = into_frame(axes, origin)
    assert_allclose(transformed(motion, origin), 0.0, atol=1e-13)
    assert_allclose(turned(motion, axes), np.eye(3), atol=1e-13)


@pytest.mark.parametrize("turn", TURNS)
def test_angle_of_a_rotation(turn):
    rotation = Rotation.from_rotvec(turn)
    assert math.isclose(rotation_angle(rotation.as_matrix()), rotation.magnitude(), rel_tol=1e-9, abs_tol=1e-15)


def test_small_motions():
    turn, shift = np.array([1e-5, -2e-5, 3e-5]), np.array([0.1, 0.2, 0.3])
    found = small_motion(rigid(Rotation.from_rotvec(turn).as_matrix(), shift))
    assert_allclose(found, [*shift, *turn], rtol=1e-8)


def test_levers_are_the_cross_product():
    points, turn = np.random.default_rng(2).normal(size=(5, 3)), np.array([0.3, -0.1, 0.2])
    assert_allclose(turn_levers(points) @ turn, np.cross(turn, points), atol=1e-15)
