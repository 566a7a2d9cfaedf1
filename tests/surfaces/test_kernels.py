"""Charts, lines of sight and the fit's solver for every kind, against scipy and against each other.

Covers: pipeline.surfaces.kernels
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import least_squares

from pipeline.geometry import basis_of
from pipeline.surfaces import (
    KINDS,
    Shape,
    chart_of,
    distances,
    gradients,
    height_of,
    jacobian,
    moved,
    normal_equations,
    pack,
    refine,
    refine_on,
    signed_distance,
    surface_normal,
)
from pipeline.surfaces.kernels import traced
from tests.surfaces.test_registry import made


@pytest.mark.parametrize("kind", KINDS)
def test_many_points_give_what_few_give(kind: str) -> None:
    """Above 40 000 points the work is shared out."""
    shape, points = made(kind, count=41_000)
    points = points + 0.1
    packed, code = pack(shape), KINDS[kind].code
    np.testing.assert_array_equal(distances(code, packed, points)[:100], distances(code, packed, points[:100]))
    assert gradients(code, packed, points[:3]).shape == (3, 3)


@pytest.mark.parametrize("kind", KINDS)
def test_normal_equations_are_the_jacobians(kind: str) -> None:
    shape, points = made(kind, count=500)
    points = points + np.random.default_rng(1).normal(size=points.shape)
    weights = np.random.default_rng(2).uniform(size=len(points))
    rows, away = jacobian(shape, points), signed_distance(shape, points)
    code, width = KINDS[kind].code, len(KINDS[kind].parameters)
    matrix, right, squares = normal_equations(code, pack(shape), points, weights, width)
    np.testing.assert_allclose(matrix, rows.T @ (weights[:, None] * rows), rtol=1e-9, atol=1e-7)
    np.testing.assert_allclose(right, rows.T @ (weights * away), rtol=1e-9, atol=1e-7)
    assert squares == pytest.approx(weights @ away**2)


@pytest.mark.parametrize("kind", KINDS)
def test_the_solver_ends_where_scipys_does(kind: str) -> None:
    """Least squares of orthogonal distances by MINPACK through scipy, over the same local parameters."""
    shape, points = made(kind, count=200)
    points = points + 0.02 * np.random.default_rng(3).normal(size=points.shape)
    slots, width = KINDS[kind].slots, len(KINDS[kind].parameters)
    packed = pack(shape)
    used, converged = refine(
        KINDS[kind].code, packed, points, np.ones(200), slots, np.ones(width, dtype=bool), 50, 1e-9
    )
    found = least_squares(lambda step: signed_distance(moved(shape, step), points), np.zeros(width), x_scale="jac")
    ours = signed_distance(KINDS[kind].unpack(packed), points)
    assert converged
    assert used < 50
    assert ours @ ours == pytest.approx(2.0 * found.cost, rel=1e-7)


@pytest.mark.parametrize("kind", KINDS)
def test_a_fit_that_goes_on_knows_where_it_stands(kind: str) -> None:
    """Stopped and gone on, it ends where one in a piece does, and its equations are always those of its shape."""
    shape, points = made(kind, count=200)
    points = points + 0.02 * np.random.default_rng(4).normal(size=points.shape)
    code, slots, free = KINDS[kind].code, KINDS[kind].slots, np.ones(len(KINDS[kind].parameters), dtype=bool)
    data = points, np.ones(200)
    packed, whole = pack(shape), pack(shape)
    at = normal_equations(code, packed, *data, len(slots))
    for steps in (1, 2, 50):
        _, _, at = refine_on(code, packed, data, slots, free, steps, 1e-9, at)
        anew = normal_equations(code, packed, *data, len(slots))
        for known, now in zip(at, anew, strict=True):
            np.testing.assert_array_equal(known, now)
    refine(code, whole, *data, slots, free, 50, 1e-9)
    np.testing.assert_allclose(distances(code, packed, points), distances(code, whole, points), atol=1e-7)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("outward", [1.0, -1.0])
def test_a_chart_comes_back(kind: str, outward: float) -> None:
    shape, points = made(kind, count=60)
    chart = chart_of(shape, points[0], outward)
    np.testing.assert_allclose(chart.lift(chart.flatten(points)), points, atol=1e-8)
    # Seen from outside the material: along a normal that points to the viewer, turns keep their sense.
    u, v = basis_of(normal := outward * surface_normal(shape, points[:1])[0])
    corners = points[0] + 1e-4 * np.array([np.zeros(3), u, v])
    a, b, c = chart.flatten(corners)
    sense = (b - a)[0] * (c - a)[1] - (b - a)[1] * (c - a)[0]
    assert np.sign(sense) == np.sign(np.cross(u, v) @ normal)


@pytest.mark.parametrize("kind", [name for name, kind in KINDS.items() if kind.meetings is not None and not kind.flat])
def test_tracing_meets_where_the_closed_form_does(kind: str) -> None:
    """What a kind gets that offers no closed form, on those that offer one."""
    shape, points = made(kind, count=30)
    axis = np.array([0.0, 0.0, 1.0]) if shape.direction is None else shape.direction
    direction = np.cross(axis, [0.3, 0.5, -0.4])
    direction /= np.linalg.norm(direction)
    feet = points - 3.0 * direction
    meet = KINDS[kind].meetings
    assert meet is not None
    both = traced(shape, feet, direction), meet(shape, feet, direction)
    known, found = (np.sort(np.array(steps), axis=0) for steps in both)
    there = np.isfinite(known).all(axis=0)
    assert there.sum() > 20
    np.testing.assert_allclose(known[:, there], found[:, there], atol=1e-6)


def test_nothing_is_met_along_an_axis() -> None:
    shape = Shape("cylinder", np.zeros(3), np.array([0.0, 0.0, 1.0]), 5.0)
    assert traced(shape, np.zeros((4, 3)), np.array([0.0, 0.0, 1.0])) == []


def test_a_line_of_sight_meets_the_side_that_faces_it() -> None:
    """A ball of 5 mm at the origin, seen from above: 3 mm off its middle it is 4 mm high; as a bore's end -4 mm."""
    ball, up = Shape("sphere", np.zeros(3), None, 5.0), np.array([0.0, 0.0, 1.0])
    foot = np.array([[3.0, 0.0, 0.0]])
    assert height_of(ball, 1.0, np.zeros(3), up)(foot)[0] == pytest.approx(4.0)
    assert height_of(ball, -1.0, np.zeros(3), up)(foot)[0] == pytest.approx(-4.0)
    assert np.isnan(height_of(ball, 1.0, np.zeros(3), up)(2.0 * foot)[0])


def test_the_other_nappe_of_a_cone_is_not_met() -> None:
    cone = Shape("cone", np.zeros(3), np.array([0.0, 0.0, 1.0]), 2.0, np.radians(45.0))
    across = np.array([1.0, 0.0, 0.0])
    assert height_of(cone, 1.0, np.zeros(3), across)(np.array([[0.0, 0.0, 1.0]]))[0] == pytest.approx(3.0)
    assert np.isnan(height_of(cone, 1.0, np.zeros(3), across)(np.array([[0.0, 0.0, -5.0]]))[0])
