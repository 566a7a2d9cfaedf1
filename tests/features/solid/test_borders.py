"""Feet of skin facets at a border: how far they lift the skin, and where there is no room for one."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.features.solid.borders import set_on_feet
from pipeline.features.solid.sharpening import Bound
from pipeline.surfaces import Shape, signed_distance

ROUND = Shape("cylinder", np.zeros(3), np.array([0.0, 0.0, 1.0]), 10.0)


def beside(height: float) -> Bound:
    """A facet of a cylinder of 20 mm diameter, and one of skin, so high, that goes on from its edge of 2 mm."""
    turn = np.array([0.0, 0.2])
    on = np.column_stack([10.0 * np.cos(turn), 10.0 * np.sin(turn), np.zeros(2)])
    middle = on.mean(axis=0)
    up = np.array([0.0, 0.0, 1.0])
    points = np.array([*on, middle + height * up, middle - up])
    faces = np.array([[0, 1, 2], [1, 0, 3]], np.int32)
    carriers = np.full((4, 3), -1, np.int16)
    carriers[[0, 1, 3], 0] = 0
    return Bound(points, faces, np.array([-1, 0], np.int32), np.zeros(2, np.uint8), carriers, np.ones(1))


@pytest.mark.parametrize("skin", [1.0, 0.5, 0.1, 0.05])
def test_a_foot_lifts_the_skin_by_no_more_than_its_tolerance(skin: float) -> None:
    """The middle of the edge is 10 (1 - cos 0.1) = 0.05 mm below the cylinder as it is."""
    mesh = beside(5.0)
    made, feet = set_on_feet(mesh, [(0, 1)], (ROUND,), skin)
    assert (feet, len(made.points), len(made.faces)) == (1, 5, 4)
    assert 0.0 < abs(signed_distance(ROUND, made.points[4:])[0]) <= 0.05 + skin


def test_where_there_is_no_room_for_a_foot_none_is_set() -> None:
    """Feet set on feet would end in facets without any extent."""
    mesh, rounds = beside(5.0), 0
    while rounds < 40:
        made, _ = set_on_feet(mesh, [(0, 1)], (ROUND,), 0.5)
        if len(made.points) == len(mesh.points):
            break
        mesh, rounds = made, rounds + 1
    assert 0 < rounds < 10
    ends = mesh.points[mesh.faces] - np.roll(mesh.points[mesh.faces], -1, axis=1)
    assert np.linalg.norm(ends, axis=2).min() > 0.01
