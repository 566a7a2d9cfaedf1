"""Smoothing splines against scipy's radial basis functions, and surfaces that bend least where nothing makes them."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import RBFInterpolator

from pipeline.mesh.fill.fairing import cell_means, fair_in_space, fit_spline, sum_at
from tests.mesh.lattice import lattice


def _scattered() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(1)
    places = rng.uniform(-10, 10, (60, 2))
    values = np.stack([np.sin(places[:, 0] / 4) * places[:, 1], np.cos(places[:, 1] / 3)], axis=1)
    return places, values, rng.uniform(-8, 8, (200, 2))


@pytest.mark.parametrize("smoothing", [1e-7, 1e-3])
def test_order_two_is_the_thin_plate_spline(smoothing: float) -> None:
    places, values, at = _scattered()
    counts = np.arange(1.0, len(places) + 1.0)
    ours = fit_spline(places, values, counts, 2, smoothing)
    # The kernel there is r^2 log r; the fundamental solution of the plate's energy is that over 8 pi.
    theirs = RBFInterpolator(
        (places - ours.centre) / ours.scale, values, kernel="thin_plate_spline",
        smoothing=8 * np.pi * (smoothing / counts + 1e-12),
    )  # fmt: skip
    np.testing.assert_allclose(ours.at(at), theirs((at - ours.centre) / ours.scale), atol=1e-6)


def test_order_three_goes_through_points_and_leaves_quadratics_alone() -> None:
    places, values, at = _scattered()
    ones = np.ones(len(places))
    np.testing.assert_allclose(fit_spline(places, values, ones, 3, 0.0).at(places), values, atol=1e-6)

    def quadratic(x: np.ndarray) -> np.ndarray:
        return (1.0 + x[:, 0] - 0.3 * x[:, 0] * x[:, 1] + 0.2 * x[:, 1] ** 2)[:, None]

    stiff = fit_spline(places, quadratic(places), ones, 3, 1.0)
    np.testing.assert_allclose(stiff.at(at), quadratic(at), atol=1e-6)


def test_a_sum_is_the_sum() -> None:
    places, values, at = _scattered()
    splines = [fit_spline(places, values, np.ones(len(places)), order, 1e-5) for order in (2, 3, 2)]
    shares = [0.5, 0.3, 0.2]
    whole = sum(share * spline.at(at) for share, spline in zip(shares, splines, strict=True))
    np.testing.assert_allclose(sum_at(splines, shares, at), whole, atol=1e-9)


def test_means_of_cells_hold_every_point_once() -> None:
    places, values, _ = _scattered()
    centres, means, counts = cell_means(places, values, 3.0)
    assert counts.sum() == len(places)
    np.testing.assert_allclose((counts[:, None] * means).sum(axis=0), values.sum(axis=0))
    np.testing.assert_allclose((counts[:, None] * centres).sum(axis=0), places.sum(axis=0))


def test_a_dent_in_a_plane_goes() -> None:
    points, faces = lattice(15)
    middle = points[:, :2] - points[:, :2].mean(axis=0)
    free = np.linalg.norm(middle, axis=1) < 3.0
    points[free, 2] -= 1.0
    tilted = points @ np.linalg.qr(np.random.default_rng(2).normal(size=(3, 3)))[0]
    found = fair_in_space(tilted, faces, free)
    flat = found - found.mean(axis=0)
    assert np.linalg.svd(flat, compute_uv=False)[2] < 1e-6
    np.testing.assert_array_equal(found[~free], tilted[~free])
