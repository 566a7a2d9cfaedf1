"""Curves in which two surfaces meet, against what analytic geometry says of them."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.features.solid.curves import meeting_curve, onto
from pipeline.surfaces import Shape, signed_distance

Z = np.array([0.0, 0.0, 1.0])
CYLINDER = Shape("cylinder", np.zeros(3), Z, 10.0)


def path_on(one: Shape, other: Shape, start: np.ndarray) -> np.ndarray:
    found, there = onto([one, other], start)
    assert there.all()
    return found


def leaning(angle: float) -> Shape:
    return Shape("plane", np.zeros(3), np.array([np.sin(angle), 0.0, np.cos(angle)]))


def ring(count: int, radius: float) -> np.ndarray:
    t = np.append(np.arange(count), 0) * 2 * np.pi / count
    return np.stack([radius * np.cos(t), radius * np.sin(t), np.zeros(count + 1)], axis=1)


def test_a_square_plane_cuts_a_cylinder_in_a_circle() -> None:
    plane = leaning(0.0)
    curve = meeting_curve(plane, CYLINDER, ring(8, 10.0), True)
    assert curve is not None
    assert curve.kind == "circle"
    assert curve.radii == pytest.approx((10.0, 10.0), abs=1e-12)


@pytest.mark.parametrize("degrees", [5.0, 30.0, 60.0])
def test_a_leaning_plane_cuts_a_cylinder_in_an_ellipse(degrees: float) -> None:
    """Half axes r and r / cos(lean): Dandelin's ellipse, any text on conic sections."""
    plane = leaning(np.radians(degrees))
    curve = meeting_curve(plane, CYLINDER, path_on(plane, CYLINDER, ring(12, 10.0)), True)
    assert curve is not None
    assert curve.kind == "ellipse"
    assert curve.radii == pytest.approx((10.0 / np.cos(np.radians(degrees)), 10.0), rel=1e-10)


def test_a_plane_cuts_a_sphere_in_a_circle_of_pythagoras() -> None:
    sphere = Shape("sphere", np.array([0.0, 0.0, 3.0]), None, 5.0)
    curve = meeting_curve(leaning(0.0), sphere, ring(7, 4.0), True)  # 3-4-5
    assert curve is not None
    assert curve.kind == "circle"
    assert curve.radii == pytest.approx((4.0, 4.0), abs=1e-12)


def test_a_plane_along_a_cylinder_cuts_it_in_a_line() -> None:
    plane = Shape("plane", np.array([6.0, 0.0, 0.0]), np.array([1.0, 0.0, 0.0]))
    curve = meeting_curve(plane, CYLINDER, np.array([[6.0, 8.0, -4.0], [6.0, 8.0, 9.0]]), False)
    assert curve is not None
    assert curve.kind == "line"


def test_two_bores_that_cross_meet_in_a_curve_on_both() -> None:
    """Every point of the curve is on both cylinders, and between the samples too."""
    other = Shape("cylinder", np.array([0.0, 1.0, 0.0]), np.array([1.0, 0.0, 0.0]), 4.0)
    t = np.linspace(0.1, 2.0, 6)
    start = np.stack([np.full(6, 10.0), 1.0 + 4.0 * np.cos(t), 4.0 * np.sin(t)], axis=1)
    curve = meeting_curve(CYLINDER, other, path_on(CYLINDER, other, start), False)
    assert curve is not None
    assert curve.kind == "spline"
    points = curve.at(np.linspace(curve.t[0], curve.t[-1], 997))
    assert np.abs(signed_distance(CYLINDER, points)).max() < 1e-6
    assert np.abs(signed_distance(other, points)).max() < 1e-6


def test_surfaces_that_do_not_meet_have_no_curve() -> None:
    far = Shape("cylinder", np.array([40.0, 0.0, 0.0]), Z, 3.0)
    assert meeting_curve(CYLINDER, far, np.array([[10.0, 0.0, 0.0], [10.0, 0.0, 5.0]]), False) is None
