"""The kinds' formulas against finite differences and against points made from the definitions.

Covers: pipeline.surfaces.plane, pipeline.surfaces.cylinder, pipeline.surfaces.cone, pipeline.surfaces.sphere
Covers: pipeline.surfaces.torus, pipeline.surfaces.shape
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.geometry import basis_of
from pipeline.surfaces import (
    KINDS,
    Shape,
    closed_form,
    jacobian,
    moved,
    pack,
    signed_distance,
    surface_normal,
)
from pipeline.surfaces.kernels import project


def made(kind: str, seed: int = 0, count: int = 400) -> tuple[Shape, np.ndarray]:
    """A shape and points on it, from its parametric form."""
    rng = np.random.default_rng(seed)
    d = rng.normal(size=3)
    d /= np.linalg.norm(d)
    u, v = basis_of(d)
    centre = 50.0 * rng.normal(size=3)
    turn, along = rng.uniform(0.0, 3.0, count), rng.uniform(-10.0, 10.0, count)
    out = np.cos(turn)[:, None] * u + np.sin(turn)[:, None] * v
    if kind == "plane":
        return Shape(kind, centre, d), centre + rng.uniform(-20, 20, count)[:, None] * u + along[:, None] * v
    if kind == "cylinder":
        return Shape(kind, centre, d, 12.0), centre + 12.0 * out + along[:, None] * d
    if kind == "cone":
        half = np.radians(30.0)
        reach = 20.0 + along * np.tan(half)
        return Shape(kind, centre, d, 20.0, half), centre + reach[:, None] * out + along[:, None] * d
    if kind == "sphere":
        rise = along / 12.0
        return Shape(kind, centre, None, 15.0), centre + 15.0 * (
            np.sqrt(1 - rise**2)[:, None] * out + rise[:, None] * d
        )
    tube = rng.uniform(0.0, 2.0, count)
    points = centre + (20.0 + 5.0 * np.cos(tube))[:, None] * out + 5.0 * np.sin(tube)[:, None] * d
    return Shape(kind, centre, d, 5.0, major_radius=20.0), points


@pytest.mark.parametrize("kind", KINDS)
def test_points_on_the_surface_have_no_distance(kind):
    shape, points = made(kind)
    assert np.abs(signed_distance(shape, points)).max() < 1e-12


@pytest.mark.parametrize("kind", KINDS)
def test_distance_is_signed_and_orthogonal(kind):
    shape, points = made(kind)
    normals = surface_normal(shape, points)
    assert np.allclose(np.linalg.norm(normals, axis=1), 1.0)
    for step in (0.7, -0.7):
        moved = points + step * normals
        assert np.allclose(signed_distance(shape, moved), step, atol=1e-9)
        assert np.allclose(project(shape, moved), points, atol=1e-9)


@pytest.mark.parametrize("kind", KINDS)
def test_the_gradient_tells_the_same_distance(kind):
    shape, points = made(kind)
    points = points + np.random.default_rng(2).normal(size=points.shape)
    packed = pack(shape)
    told = [KINDS[kind].gradient(packed, *point)[0] for point in points]
    assert np.allclose(told, signed_distance(shape, points), atol=1e-12)


@pytest.mark.parametrize("kind", KINDS)
def test_jacobian_is_the_derivative(kind):
    shape, points = made(kind)
    points = points[:20] + 0.3 * np.random.default_rng(1).normal(size=(20, 3))
    names = KINDS[kind].parameters
    columns = jacobian(shape, points)
    assert columns.shape == (20, len(names))
    for k, name in enumerate(names):
        step = np.zeros(len(names))
        step[k] = 1e-6
        ahead, back = (signed_distance(moved(shape, sign * step), points) for sign in (1, -1))
        assert np.allclose((ahead - back) / 2e-6, columns[:, k], atol=2e-5), name


@pytest.mark.parametrize("kind", KINDS)
def test_closed_form_start_is_exact_on_exact_points(kind):
    shape, points = made(kind, seed=3)
    start = closed_form(kind, points, surface_normal(shape, points))
    assert start is not None
    assert np.abs(signed_distance(start, points)).max() < 1e-5


@given(st.lists(st.floats(-1, 1), min_size=3, max_size=3).filter(lambda d: np.linalg.norm(d) > 0.01))
@settings(max_examples=50, deadline=None)
def test_basis_is_orthonormal_and_right_handed(d):
    d = np.array(d) / np.linalg.norm(d)
    u, v = basis_of(d)
    assert np.allclose(np.array([u, v, d]) @ np.array([u, v, d]).T, np.eye(3), atol=1e-12)
    assert np.allclose(np.cross(u, v), d)


def test_too_few_points_make_no_start():
    assert closed_form("cylinder", np.zeros((3, 3)), np.ones((3, 3))) is None
