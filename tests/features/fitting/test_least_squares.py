"""Fits: truth within the noise, spikes without effect, constraints kept, bad input refused."""

import numpy as np
import pytest

from pipeline.errors import GeometryError
from pipeline.features.fitting.least_squares import fit, fit_constrained
from pipeline.surfaces import KINDS, jacobian, signed_distance, surface_normal
from tests.surfaces.test_registry import made


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("with_normals", [True, False])
def test_finds_the_truth_among_spikes(kind, with_normals):
    shape, exact = made(kind, seed=2, count=3000)
    rng = np.random.default_rng(4)
    normals = surface_normal(shape, exact)
    points = exact + 0.01 * rng.normal(size=(len(exact), 1)) * normals
    points[:90] += 0.8 * normals[:90]
    result = fit(kind, points, normals=normals + 0.03 * rng.normal(size=normals.shape) if with_normals else None)
    assert result.converged
    # 3000 points of 10 um: parameters are known to a micrometre, far from the points a few.
    assert np.abs(signed_distance(result.shape, exact)).max() < 0.004
    assert result.rms == pytest.approx(0.01, rel=0.15)
    assert result.weights[:90].max() == 0.0


def test_without_robustness_it_is_the_plain_least_squares():
    shape, exact = made("cylinder", seed=5, count=300)
    points = exact + 0.05 * np.random.default_rng(1).normal(size=exact.shape)
    result = fit("cylinder", points, shape, robust=False)
    gradient = jacobian(result.shape, points, result.basis).T @ result.residuals
    assert np.abs(gradient).max() < 1e-6
    assert np.all(result.weights == 1.0)


def test_cofactor_is_the_inverse_of_the_normal_matrix():
    shape, points = made("cone", seed=6)
    result = fit("cone", points, shape)
    columns = jacobian(result.shape, points, result.basis)
    assert np.allclose(result.cofactor @ (columns.T * result.weights) @ columns, np.eye(6), atol=1e-6)


def test_point_is_at_mid_length():
    shape, points = made("cylinder", seed=7)
    result = fit("cylinder", points, shape)
    along = (points - result.shape.point) @ result.shape.direction
    assert along.min() == pytest.approx(-along.max(), abs=1e-9)


def test_given_radius_and_direction_are_kept():
    shape, exact = made("cylinder", seed=8, count=2000)
    points = exact + 0.02 * np.random.default_rng(2).normal(size=exact.shape)
    free = fit("cylinder", points, shape)
    held = fit_constrained("cylinder", points, free.shape, parallel_to=-shape.direction, radius=12.0)
    assert held.shape.radius == 12.0
    assert abs(held.shape.direction @ shape.direction) == pytest.approx(1.0, abs=1e-15)
    across = np.cross(shape.direction, [0.3, -0.4, 0.5])
    across /= np.linalg.norm(across)
    square = fit_constrained("cylinder", points, free.shape, perpendicular_to=across)
    assert abs(square.shape.direction @ across) < 1e-12
    assert square.rms >= free.rms * (1 - 1e-9)


def test_a_constraint_far_from_the_fit_is_refused():
    shape, points = made("cylinder", seed=8)
    with pytest.raises(GeometryError, match="parallel"):
        fit_constrained("cylinder", points, shape, parallel_to=np.cross(shape.direction, [1.0, 2.0, 3.0]))


def test_too_few_points_are_refused():
    with pytest.raises(GeometryError, match="needs at least 5 points"):
        fit("cylinder", np.zeros((4, 3)))
