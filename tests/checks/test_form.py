"""Form errors against values worked by hand and against general optimisers on the same points."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import linprog, minimize

from pipeline.features.fitting.form import chebyshev, form_of, minimum_zone, roundness, straightness
from pipeline.features.fitting.least_squares import fit
from pipeline.surfaces.shape import Shape


def test_flatness_of_four_corners():
    # Minimum zone 1/sqrt(6), least-squares peak to valley 0.454401: worked by hand; definition ISO 12781-1.
    points = np.array([(0, 0, 0), (1, 0, 0), (0, 1, 0), (1, 1, 1)], dtype=float)
    plane = fit("plane", points, robust=False)
    form = form_of(plane.shape, points)
    assert form.standard == "flatness"
    assert form.minimum_zone == pytest.approx(1 / np.sqrt(6), rel=1e-12)
    assert form.peak_to_valley == pytest.approx(0.454401, abs=5e-7)


@pytest.mark.parametrize("lobes", [2, 3, 5])
def test_roundness_of_lobes(lobes):
    # r = 25 + 0.01 cos(k t): 0.0200 about both references; worked by hand; definition ISO 12181-1.
    turn = np.arange(360) * np.pi / 180
    reach = 25 + 0.01 * np.cos(lobes * turn)
    points = np.column_stack([reach * np.cos(turn) + 4, reach * np.sin(turn) - 9])
    assert roundness(points) == pytest.approx((0.02, 0.02), rel=1e-9)


def test_roundness_as_a_general_optimiser_finds_it():
    rng = np.random.default_rng(3)
    turn = rng.uniform(0, 2 * np.pi, 200)
    reach = 12 + rng.normal(0, 0.01, 200)
    points = np.column_stack([reach * np.cos(turn), reach * np.sin(turn)])
    found = min(
        minimize(
            lambda c: np.ptp(np.hypot(*(points - c).T)), start, method="Nelder-Mead",
            options={"xatol": 1e-12, "fatol": 1e-14, "maxiter": 4000},
        ).fun
        for start in rng.normal(0, 0.002, (6, 2))
    )  # fmt: skip
    assert roundness(points)[1] == pytest.approx(found, rel=1e-6)


@pytest.mark.parametrize("columns", [2, 4, 6])
def test_exchange_as_a_linear_programme_solves_it(columns):
    rng = np.random.default_rng(columns)
    rows, values = rng.normal(size=(3000, columns)), rng.normal(size=3000)
    programme = linprog(
        [0.0] * columns + [1.0],
        A_ub=np.block([[rows, -np.ones((3000, 1))], [-rows, -np.ones((3000, 1))]]),
        b_ub=np.concatenate([values, -values]),
        bounds=[(None, None)] * (columns + 1),
    )
    ours = np.abs(rows @ chebyshev(rows, values) - values).max()
    assert ours == pytest.approx(programme.fun, rel=1e-6)


def test_flatness_of_many_points_as_a_linear_programme_finds_it():
    # A nearly flat cloud: heights stand for orthogonal distances to second order of a slope of 1e-4.
    rng = np.random.default_rng(5)
    flat = rng.uniform(-30, 30, (4000, 2))
    height = rng.normal(0, 0.01, 4000) + 1e-5 * flat[:, 0] ** 2
    rows = np.column_stack([flat, np.ones(4000), -np.ones(4000)])
    other = np.column_stack([-flat, -np.ones(4000), -np.ones(4000)])
    programme = linprog(
        [0, 0, 0, 1], A_ub=np.vstack([rows, other]), b_ub=np.concatenate([height, -height]), bounds=[(None, None)] * 4
    )
    points = np.column_stack([flat, height]) @ np.linalg.qr(rng.normal(size=(3, 3)))[0]
    plane = fit("plane", points).shape
    assert minimum_zone(plane, points) == pytest.approx(2 * programme.fun, rel=1e-6)


def _bore(rng, length=40.0, radius=15.0, count=6000):
    turn, along = rng.uniform(0, 2 * np.pi, count), rng.uniform(-length / 2, length / 2, count)
    return turn, along, np.column_stack([radius * np.cos(turn), radius * np.sin(turn), along])


def test_cylindricity_as_a_general_optimiser_finds_it():
    # Definition ISO 12180-1: the least radial distance of two coaxial cylinders that hold all points.
    rng = np.random.default_rng(11)
    turn, _, points = _bore(rng, count=300)
    points[:, :2] *= (1 + (rng.normal(0, 0.004, 300) + 0.003 * np.cos(2 * turn)) / 15)[:, None]

    def width(x):
        d = np.array([x[2], x[3], 1.0]) / np.sqrt(1 + x[2] ** 2 + x[3] ** 2)
        q = points - [x[0], x[1], 0]
        return np.ptp(np.linalg.norm(q - np.outer(q @ d, d), axis=1))

    best = np.inf
    for start in rng.normal(0, 1, (3, 4)) * [0.002, 0.002, 1e-4, 1e-4]:
        x = start
        for _ in range(4):
            # Restarted, since a simplex of points collapses on the edges of a minimax.
            simplex = x + np.vstack([np.zeros(4), np.diag([1e-3, 1e-3, 5e-5, 5e-5])])
            options = {"xatol": 1e-13, "fatol": 1e-15, "maxiter": 4000, "initial_simplex": simplex}
            x = minimize(width, x, method="Nelder-Mead", options=options).x
        best = min(best, width(x))
    ours = minimum_zone(fit("cylinder", points, robust=False).shape, points)
    assert ours <= best * (1 + 1e-9)
    assert ours == pytest.approx(best, rel=2e-3)


def test_sections_and_axis_of_a_bent_oval_bore():
    rng = np.random.default_rng(13)
    turn, along, points = _bore(rng, count=40_000)
    reach = 15 + 0.02 * np.cos(2 * turn)
    # An axis bent like a bow: 0.03 mm between its ends and its middle.
    bow = 0.03 * (along / 20.0) ** 2
    points = np.column_stack([reach * np.cos(turn) + bow, reach * np.sin(turn), along])
    result = fit("cylinder", points)
    form = form_of(result.shape, points, result.residuals)
    # The profile is a mean over 7.5 degrees: an oval loses sin(7.5)/7.5 of its height, under a per cent.
    assert form.roundness == pytest.approx(0.04, rel=0.05)
    # Nine slices see the bow between the middles of the first and the last: (8/9)^2 of it.
    assert form.straightness == pytest.approx(0.03 * (8 / 9) ** 2, rel=0.05)
    assert form.minimum_zone <= form.peak_to_valley
    assert form.standard == "cylindricity"


def test_straightness_of_three_points():
    # Middle point h off the line of the ends: a cylinder of diameter h holds all three (worked by hand).
    assert straightness(np.array([[0, 0, 0], [0, 0.1, 50], [0, 0, 100.0]])) == pytest.approx(0.1, rel=3e-3)


def test_spikes_are_left_out_and_counted():
    rng = np.random.default_rng(17)
    points = np.column_stack([rng.uniform(0, 50, (5000, 2)), rng.normal(0, 0.01, 5000)])
    points[:10, 2] += 0.5
    shape = Shape("plane", np.zeros(3), np.array([0, 0, 1.0]))
    form = form_of(shape, points)
    assert form.inliers == pytest.approx(1 - 10 / 5000)
    assert form.peak_to_valley < 0.1
    assert form.rms == pytest.approx(0.01, rel=0.03)
