"""Feet of skin facets at a border: how far they lift the skin, and where there is no room for one."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.features.solid.borders import Known, borders_of, set_on_feet, unsound
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


QUARTER = (
    Shape("plane", np.zeros(3), np.array([0.0, 0.0, 1.0])),
    Shape("cylinder", np.zeros(3), np.array([0.0, 0.0, 1.0]), 5.0),
)


def quarter(x: float) -> Bound:
    """A quarter of a hole of radius 5 about the origin, from (5, 0) to (0, 5), and skin that leaves the plane along a
    straight line from (5, 0) to (x, 5). To (1, 5) its middle, (3, 2.5), is 3.9 mm from the origin, within the hole, and
    its end 5.1 mm; on the side of the chord where the plane is it lies all along."""
    points = np.array([[5.0, 0, 0], [0, 5, 0], [x, 5, 0], [5, 0, -5], [9, 5, -5], [x, 9, -5]])
    faces = np.array([[0, 2, 1], [0, 1, 3], [2, 0, 4], [1, 2, 5]], np.int32)
    return Bound(
        points, faces, np.array([0, 1, -1, -1], np.int32), np.zeros(4, np.uint8), np.full((6, 3), -1, np.int16),
        np.array([1.0, -1.0]),
    )  # fmt: skip


def crosses_the_hole(x: float, known: Known | None = None) -> bool:
    mesh = quarter(x)
    borders = borders_of(mesh)
    (bad,) = unsound(mesh, borders, QUARTER, known)[(borders.facet == 2) & (borders.feature == 0)]
    return bool(bad)


@pytest.mark.parametrize(("x", "crosses"), [(1.0, True), (9.0, False)])
def test_a_planes_straight_border_crosses_no_hole_that_breaks_out_beside_it(x: float, crosses: bool) -> None:
    assert crosses_the_hole(x) is crosses


def test_what_is_known_of_borders_holds_only_as_long_as_they_stay() -> None:
    known = Known()
    assert [crosses_the_hole(x, known) for x in (1.0, 1.0, 9.0, 9.0, 1.0)] == [True, True, False, False, True]
