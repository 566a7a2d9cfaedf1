"""Circles and arcs against scikit-image's model and scipy's general least squares."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import least_squares
from scipy.spatial.distance import pdist
from skimage.measure import CircleModel

from pipeline.geometry import (
    FULL_TURN,
    algebraic_circle,
    fit_circle,
    gaps_round,
    on_circle,
    polar_angles,
    turn_between,
)


def arc(turn: float, noise: float, seed: int = 0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    points = on_circle(np.array([40.0, -25.0]), 18.0, rng.uniform(0.3, 0.3 + turn, 60))
    return points + noise * rng.normal(size=points.shape)


@pytest.mark.parametrize("turn", [0.6, 2.0, FULL_TURN])
def test_orthogonal_fit(turn):
    points = arc(turn, 0.02)
    start = [*points.mean(axis=0), 18.0]
    ours, radius, rms = fit_circle(points)
    best = least_squares(lambda p: np.hypot(*(points - p[:2]).T) - p[2], start, xtol=1e-15, ftol=1e-15, gtol=1e-15)
    assert_allclose([*ours, radius], best.x, atol=2e-5)
    assert math.isclose(rms, float(np.sqrt(np.mean(best.fun**2))), rel_tol=1e-9)


@pytest.mark.parametrize("turn", [0.6, 2.0, FULL_TURN])
def test_algebraic_fit(turn):
    """The model of scikit-image is the algebraic one too."""
    points = arc(turn, 0.02)
    theirs = CircleModel.from_estimate(points)
    assert_allclose(algebraic_circle(*points.T.copy()), [*theirs.center, theirs.radius], atol=1e-8)


def test_noise_draws_a_short_arc_inwards_in_the_algebraic_fit_only():
    """Chernov and Lesort, J. Math. Imaging Vision 23 (2005): Kasa's fit is biased to small circles on short arcs."""
    fits = [(algebraic_circle(*arc(0.6, 0.15, s).T.copy())[2], fit_circle(arc(0.6, 0.15, s))[1]) for s in range(60)]
    algebraic, orthogonal = np.median(np.array(fits), axis=0)
    assert algebraic < 17.0
    assert abs(orthogonal - 18.0) < 0.6


def test_no_circle_through_a_line():
    line = np.column_stack([np.arange(6.0), 2 * np.arange(6.0)])
    assert algebraic_circle(line[:, 0].copy(), line[:, 1].copy())[2] == 0.0
    with pytest.raises(ValueError, match="line"):
        fit_circle(line)


def test_angles_and_gaps():
    angles = np.array([0.1, 3.0, -2.0, 1.0])
    points = on_circle(np.zeros(2), 2.0, angles)
    assert_allclose(polar_angles(points), np.angle(points[:, 0] + 1j * points[:, 1]), atol=1e-15)
    gaps = gaps_round(angles)
    assert math.isclose(gaps.sum(), FULL_TURN)
    chords = 2 * 2.0 * np.sin(gaps / 2)
    assert all(np.isclose(pdist(points), abs(c)).any() for c in chords)


@pytest.mark.parametrize("ccw", [True, False])
def test_an_arc_ends_where_it_should(ccw):
    rng = np.random.default_rng(3)
    for start, end in rng.normal(size=(20, 2, 2)):
        first, turn = turn_between(start, end, ccw)
        assert (turn >= 0) == ccw
        assert abs(turn) <= FULL_TURN
        last = on_circle(np.zeros(2), float(np.hypot(*end)), np.array([first + turn]))[0]
        assert_allclose(last, end, atol=1e-12)
