"""What kinds share, against numpy and against the definitions."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.surfaces import Shape, pack
from pipeline.surfaces.blocks import (
    about_axis,
    axes_towards,
    circle_round,
    mean_and_spread,
    meet_axial,
    out_from_axis,
    products,
    roots,
    solvable,
    step_surface,
    view,
)

D = np.array([2.0, -1.0, 2.0]) / 3.0


def test_moments_are_numpys() -> None:
    points = np.random.default_rng(1).normal(size=(50, 3)) * [1.0, 2.0, 3.0]
    mean, spread = mean_and_spread(points)
    np.testing.assert_allclose(mean, points.mean(axis=0))
    np.testing.assert_allclose(spread, np.cov(points.T, bias=True))
    np.testing.assert_allclose(products(points), points.T @ points / 50)


def test_what_lies_in_a_plane_is_not_solvable() -> None:
    points = np.random.default_rng(1).normal(size=(50, 3))
    assert solvable(products(points))
    points[:, 2] = 0.0
    assert not solvable(products(points))


def test_solvable_by_the_eigenvalues_of_lapack() -> None:
    rng = np.random.default_rng(2)
    for least in (1e-9, 1e-11, 1e-13, 0.0, -1e-9):
        for middle in (1.0, 1e-4, max(least, 1e-8)):
            turn = np.linalg.qr(rng.normal(size=(3, 3)))[0]
            matrix = turn @ np.diag([1.0, middle, least]) @ turn.T
            values = np.linalg.eigvalsh(0.5 * (matrix + matrix.T))
            assert solvable(0.5 * (matrix + matrix.T)) == (values[0] > 1e-12 * values.sum())
    assert not solvable(np.zeros((3, 3)))
    assert not solvable(np.full((3, 3), np.nan))


def test_an_axis_sees_height_and_distance() -> None:
    s = pack(Shape("cylinder", np.array([1.0, 2.0, 3.0]), D, 1.0))
    out = np.cross(D, [1.0, 0.0, 0.0])
    out /= np.linalg.norm(out)
    place = s[0:3] + 5.0 * D + 4.0 * out
    t, ex, ey, ez, rho, inverse = about_axis(s, *place)
    assert (t, rho, inverse) == pytest.approx((5.0, 4.0, 0.25))
    np.testing.assert_allclose((ex, ey, ez), 4.0 * out)
    np.testing.assert_allclose(out_from_axis(s, *place), (5.0, *out, 4.0))


def test_on_the_axis_all_is_finite() -> None:
    s = pack(Shape("cylinder", np.zeros(3), np.array([0.0, 0.0, 1.0]), 1.0))
    assert about_axis(s, 0.0, 0.0, 2.0)[4:] == (0.0, 0.0)
    assert np.isfinite(out_from_axis(s, 0.0, 0.0, 2.0)).all()


def test_a_view_is_seen_from_the_viewer() -> None:
    """Counter-clockwise stays so, and a point comes back from its place and height."""
    origin = np.array([1.0, -2.0, 0.5])
    flatten, lift = view(origin, D)
    points = np.random.default_rng(2).normal(size=(9, 3))
    np.testing.assert_allclose(lift(flatten(points), (points - origin) @ D), points)
    a, b = flatten(origin + np.eye(3)[:2])
    assert np.sign(a[0] * b[1] - a[1] * b[0]) == np.sign(np.cross(*np.eye(3)[:2]) @ D)


def test_axes_towards_a_point() -> None:
    shape = Shape("cylinder", np.array([1.0, 0.0, 0.0]), D, 3.0)
    near = np.array([4.0, 4.0, 4.0])
    axes = axes_towards(shape, near)
    np.testing.assert_allclose(axes @ axes.T, np.eye(3), atol=1e-12)
    assert np.linalg.det(axes) == pytest.approx(1.0)
    local = axes @ (near - shape.point)
    assert local[0] > 0.0
    assert local[1] == pytest.approx(0.0, abs=1e-12)
    np.testing.assert_allclose(axes_towards(shape, shape.point + 2.0 * D) @ D, [0.0, 0.0, 1.0], atol=1e-12)


def test_a_circle_round_an_axis() -> None:
    turn = np.linspace(0.0, 2.0, 30)
    points = np.column_stack([3.0 + 5.0 * np.cos(turn), 5.0 * np.sin(turn), turn])
    found = circle_round(points, np.array([0.0, 0.0, 1.0]))
    assert found is not None
    np.testing.assert_allclose(found[0], [3.0, 0.0, points[:, 2].mean()], atol=1e-9)
    assert found[1] == pytest.approx(5.0)


@pytest.mark.parametrize(("a", "b", "c"), [(2.0, -3.0, 1.0), (-1.0, 0.5, 2.0)])
def test_roots_are_numpys(a: float, b: float, c: float) -> None:
    found = [float(x[0]) for x in roots(a, np.array([b]), np.array([c]))]
    assert sorted(found) == pytest.approx(sorted(np.roots([a, 2.0 * b, c])))


def test_roots_of_a_line_and_none_at_all() -> None:
    assert [float(x[0]) for x in roots(0.0, np.array([2.0]), np.array([8.0]))] == [-2.0]
    assert np.isnan(roots(1.0, np.array([0.0]), np.array([1.0]))).all()


def test_lines_meet_a_cone_where_its_radius_is_their_distance() -> None:
    shape = Shape("cone", np.array([1.0, 2.0, 3.0]), D, 6.0, np.radians(20.0))
    direction = np.array([0.6, 0.0, -0.8])
    feet = shape.point + np.random.default_rng(3).normal(size=(20, 3))
    for steps in meet_axial(shape, feet, direction, float(np.tan(np.radians(20.0)))):
        w = feet + steps[:, None] * direction - shape.point
        up = w @ D
        radius = 6.0 + np.tan(np.radians(20.0)) * up
        np.testing.assert_allclose(np.linalg.norm(w - up[:, None] * D, axis=1), np.abs(radius), atol=1e-9)


def test_a_step_surface_is_placed_square() -> None:
    told = step_surface("CYLINDRICAL_SURFACE", Shape("cylinder", np.ones(3), D, 4.0), 4.0)
    assert told.sizes == (4.0,)
    assert told.axis @ told.reference == pytest.approx(0.0, abs=1e-12)
    along = np.cross(D, told.reference)
    turned = step_surface("SURFACE", Shape("cylinder", np.ones(3), D, 4.0, orientation=along), 4.0, None)
    np.testing.assert_array_equal(turned.reference, along)
    assert turned.sizes == (4.0, 0.0)
