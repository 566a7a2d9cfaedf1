"""Standard uncertainties against many fits of simulated scans and against whole matrices.

Covers: pipeline.features.uncertainty.correlated_noise
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm, t

from pipeline.features.fitting.least_squares import fit
from pipeline.features.uncertainty.correlated_noise import propagated
from pipeline.features.uncertainty.propagation import (
    Held,
    assess,
    block,
    carried_through,
    form_beyond,
    student_widening,
    weighed,
)
from pipeline.geometry import basis_of
from pipeline.surfaces import jacobian as derivatives
from pipeline.surfaces.shape import Shape
from pipeline.values import NoiseModel
from tests.features.faces import points_on, scanned, unit, waves

PARTS = [(0.008, 2.5), (0.005, 25.0)]
NOISE = NoiseModel(0.012, 0.015, np.array([[0.012, 0.0], *PARTS]), "known")


def shape_of_kind(kind, rng):
    place, way = rng.uniform(-50, 50, 3), unit(rng)
    if kind == "plane":
        return Shape("plane", place, way), (60.0, 40.0)
    return Shape("cylinder", place, way, 12.0), (2 * np.pi, 25.0)


@pytest.mark.parametrize("kind", ["plane", "cylinder"])
@pytest.mark.parametrize("length", [2.5, 25.0])
def test_propagated_as_the_whole_matrix_has_it(kind, length):
    rng = np.random.default_rng(1)
    shape, size = shape_of_kind(kind, rng)
    points = points_on(rng, shape, size, 1.0)
    basis = basis_of(shape.direction)
    jacobian = derivatives(shape, points, basis)
    gains = jacobian @ np.linalg.inv(jacobian.T @ jacobian)
    places = (points - shape.point) @ np.array([*basis, shape.direction]).T
    finest = np.array([6.0, 4.0, 1e9]) if kind == "plane" else np.array([3.0, 3.0, 3.0])
    apart = np.sum((points[:, None] - points[None]) ** 2, axis=-1)
    whole = gains.T @ np.exp(-apart / (2 * length**2)) @ gains
    ours = propagated(gains, places, [(1.0, length)], finest)[0]
    assert np.sqrt(np.diag(ours)) == pytest.approx(np.sqrt(np.diag(whole)), rel=0.04)


@pytest.mark.parametrize("kind", ["plane", "cylinder"])
def test_spread_of_many_fits_is_what_is_stated(kind):
    """Monte Carlo: 100 scans of one face, new noise each."""
    rng = np.random.default_rng(2)
    shape, size = shape_of_kind(kind, rng)
    points = points_on(rng, shape, size, 0.9)
    basis = basis_of(shape.direction)
    offs, stated = [], None
    for _ in range(100):
        along = waves(rng, PARTS, 80)(points) + rng.normal(0, 0.012, len(points))
        found = fit(kind, scanned(shape, points, along), shape, robust=False).shape
        away, turned = found.point - shape.point, found.direction - shape.direction
        if kind == "plane":
            offs.append([away @ shape.direction, basis[0] @ turned, basis[1] @ turned])
        else:
            offs.append([*(basis @ away), *(basis @ turned), found.radius - shape.radius])
        if stated is None:
            stated = assess(fit(kind, points, shape, robust=False).shape, points, None, NOISE)
    # The plane's point is the centroid, the axis' the middle: errors above are at the drawn point, near enough.
    spread = np.std(offs, axis=0)
    expected = np.sqrt(np.diag(stated.covariance))
    assert spread == pytest.approx(expected, rel=0.25)
    assert np.mean(spread / expected) == pytest.approx(1.0, abs=0.12)


def test_headline_figures_are_those_of_the_covariance():
    rng = np.random.default_rng(3)
    shape, size = shape_of_kind("cylinder", rng)
    points = points_on(rng, shape, size, 0.8)
    known = assess(shape, points, None, NOISE)
    assert known.names == ("u", "v", "a", "b", "r")
    assert known.position == pytest.approx(np.sqrt(np.linalg.eigvalsh(block(known, ("u", "v")))[-1]))
    assert known.direction == pytest.approx(np.sqrt(np.linalg.eigvalsh(block(known, ("a", "b")))[-1]))
    assert known.radius == pytest.approx(np.sqrt(block(known, ("r",))[0, 0]))
    assert block(known, ("w",)) is None


def test_white_noise_alone_is_the_textbook_covariance():
    rng = np.random.default_rng(4)
    shape, size = shape_of_kind("cylinder", rng)
    points = points_on(rng, shape, size, 0.8)
    white = NoiseModel(0.01, 0.01, np.array([[0.01, 0.0]]), "white")
    noisy = scanned(shape, points, rng.normal(0, 0.01, len(points)))
    result = fit("cylinder", noisy, shape, robust=False)
    known = assess(result.shape, noisy, None, white)
    assert known.covariance == pytest.approx(1e-4 * result.cofactor, rel=1e-3, abs=1e-12)


def test_a_short_arc_says_so_and_ties_radius_to_position():
    rng = np.random.default_rng(5)
    shape = Shape("cylinder", np.zeros(3), np.array([0, 0, 1.0]), 31.0)
    full = points_on(rng, shape, (2 * np.pi, 30.0), 1.0)
    part = points_on(rng, shape, (np.pi / 2, 30.0), 1.0)
    whole = assess(shape, full, None, NOISE, arc=2 * np.pi)
    short = assess(shape, part, None, NOISE, arc=np.pi / 2)
    assert short.radius > 4 * whole.radius
    assert "90 degrees of arc" in short.method
    assert "one pair" in short.method
    assert "arc" not in whole.method


def test_widening_is_that_of_the_guide():
    # JCGM 100:2008 H.1: parts of 25, 9.7, 2.9 and 16.6 nm with 18, 25.6, 50 and 2 degrees of freedom make
    # 1002 nm^2 with 16.7; its table G.2 has t = 2.12 for 16 and 2.11 for 17 degrees at 95 %.
    parts = np.array([25.0, 9.7, 2.9, 16.6])[:, None] ** 2 * [1.0, 0.0]
    factor = student_widening(np.array([1002.0, 1002.0]), parts, np.array([18.0, 25.6, 50.0, 2.0]))
    assert 2.105 < 1.96 * factor[0] < 2.125
    assert factor[1] == pytest.approx(1.0, abs=1e-6)


def test_waves_seen_a_few_times_only_widen_what_rests_on_them():
    rng = np.random.default_rng(9)
    shape, size = shape_of_kind("cylinder", rng)
    points = points_on(rng, shape, size, 0.8)
    sure = assess(shape, points, None, NOISE)
    rare = assess(shape, points, None, replace(NOISE, freedom=np.array([np.inf, 200.0, 5.0])))
    # Table G.2: 2.57 for 5 degrees. Nearly all doubt of the radius is the long wave's, little of the direction.
    assert 1.2 < rare.radius / sure.radius < 2.57 / 1.96
    assert 1.0 < rare.direction / sure.direction < 1.1


def test_a_sum_over_waves_whose_size_was_estimated_lies_where_student_has_it():
    # Waves drawn from their whole covariance matrix, their variance estimated with 5 degrees of freedom each time:
    # what is said to hold 95 % holds 95 %; taken as known it would hold what scipy's t has within 1.96 (89 %).
    rng = np.random.default_rng(12)
    points = np.stack([*np.mgrid[:12, :8] * 3.0, np.zeros((12, 8))], axis=-1).reshape(-1, 3)
    square = np.sum((points[:, None] - points) ** 2, axis=-1)
    drawn = np.linalg.cholesky(0.005**2 * np.exp(-square / (2 * 20.0**2)) + 1e-13 * np.eye(len(points)))
    gains = np.column_stack([np.ones(len(points)), points[:, 0] - points[:, 0].mean()])
    sums = gains.T @ drawn @ rng.normal(size=(len(points), 2000))
    held = {known: np.empty(sums.shape, dtype=bool) for known in (5.0, np.inf)}
    for draw, share in enumerate(rng.chisquare(5.0, sums.shape[1]) / 5.0):
        sizes = np.array([[0.0, 0.0], [0.005 * np.sqrt(share), 20.0]])
        for known, within in held.items():
            seen = NoiseModel(0.0, 0.005, sizes, "estimated", np.array([np.inf, known]))
            deviations = np.sqrt(np.diag(carried_through(gains, points, seen, 1.0)))
            within[:, draw] = abs(sums[:, draw]) < norm.ppf(0.975) * deviations
    # Four standard errors of 2000 draws.
    assert held[5.0].mean(axis=1) == pytest.approx(0.95, abs=0.02)
    assert held[np.inf].mean(axis=1) == pytest.approx(1.0 - 2.0 * t.sf(norm.ppf(0.975), 5.0), abs=0.028)


def test_form_beyond_the_noise_widens():
    rng = np.random.default_rng(6)
    shape = Shape("cylinder", np.zeros(3), np.array([0, 0, 1.0]), 15.0)
    points = points_on(rng, shape, (2 * np.pi, 25.0), 0.8)
    turn = np.arctan2(points[:, 1], points[:, 0])
    noise = rng.normal(0, 0.01, len(points))
    white = NoiseModel(0.01, 0.01, np.array([[0.01, 0.0]]), "white")
    calm = assess(shape, scanned(shape, points, noise), None, white)
    oval = assess(shape, scanned(shape, points, noise + 0.05 * np.cos(3 * turn)), None, white)
    assert oval.radius > 3 * calm.radius
    assert "form" in oval.method
    assert "form" not in calm.method


@pytest.mark.parametrize(("part", "within"), [((0.012, 0.0), 0.02), (PARTS[0], 0.05), (PARTS[1], 0.15)])
def test_what_noise_leaves_in_the_residuals(part, within):
    rng = np.random.default_rng(7)
    shape = Shape("plane", np.zeros(3), np.array([0, 0, 1.0]))
    points = points_on(rng, shape, (30.0, 30.0), 0.8)
    sigma, length = part
    white = sigma if length == 0.0 else 0.0
    _, stated = weighed(shape, points, None, NoiseModel(white, sigma, np.array([part]), "one part alone"))
    jacobian = derivatives(shape, points)
    hat = jacobian @ np.linalg.pinv(jacobian)
    left = []
    for _ in range(100):
        field = rng.normal(0, sigma, len(points)) if white else waves(rng, [part], 80)(points)
        left.append(np.mean((field - hat @ field) ** 2))
    assert stated == pytest.approx(np.sqrt(np.mean(left)), rel=within)


def test_what_cannot_be_vouched_for():
    shape = Shape("cylinder", np.zeros(3), np.array([0, 0, 1.0]), 5.0)
    rng = np.random.default_rng(8)
    points = points_on(rng, shape, (2 * np.pi, 10.0), 0.5)
    unlearnt = assess(shape, points, None, None)
    assert unlearnt.position is None
    assert unlearnt.covariance is None
    assert "large enough" in unlearnt.method
    few = assess(shape, points[:10], None, NOISE)
    assert few.radius is None
    assert "10 points" in few.method
    sliver = points_on(rng, shape, (0.05, 10.0), 0.02)
    narrow = assess(shape, sliver, None, NOISE)
    assert narrow.radius is None
    assert narrow.method.startswith("not vouched for")


@pytest.mark.parametrize("place", [900.0, -900.0])
def test_no_figure_is_better_than_the_last_bit_of_its_coordinates(place):
    # A float32 near 900 is rounded to steps of 2^-14 (IEEE 754: 24 bits of significand), so by 2^-15 at most.
    side = np.arange(20.0)
    points = np.stack(np.meshgrid(side, side, [0.0]), axis=-1).reshape(-1, 3) + place * np.ones(3)
    flat = Shape("plane", points.mean(axis=0), np.array([0.0, 0.0, 1.0]))
    exact = NoiseModel(1e-9, 1e-9, np.array([[1e-9, 0.0]]), "white")
    known = assess(flat, points, None, exact)
    assert 0.3 * 2.0**-15 < known.position * np.sqrt(len(points)) < 2.0**-15


def test_form_beyond_the_noise_is_the_root_of_the_difference_of_squares():
    # 30 um rms, of which noise leaves 18: 24 um of form (3, 4, 5).
    residuals = 0.03 * np.where(np.arange(100) % 2, 1.0, -1.0)
    assert form_beyond(residuals, np.ones(100), 0.018**2) == pytest.approx(0.024)
    assert form_beyond(residuals, np.ones(100), 0.029**2) == 0.0


def test_a_fit_takes_up_as_many_points_as_it_has_parameters():
    # The residual variance of n points and p parameters is (n - p) / n of the noise's: of a line n - 2 count
    # (JCGM 100:2008, H.3, from memory).
    side = np.arange(4.0)
    points = np.stack(np.meshgrid(side, side, [0.0]), axis=-1).reshape(-1, 3)
    flat = Shape("plane", points.mean(axis=0), np.array([0.0, 0.0, 1.0]))
    _, left = weighed(flat, points, None, NoiseModel(0.01, 0.01, np.array([[0.01, 0.0]]), "white"))
    assert left == pytest.approx(0.01 * np.sqrt(1.0 - 3.0 / 16.0), rel=1e-6)


def test_an_axis_held_to_a_direction_turns_about_where_it_was_seen():
    # Seen about the origin and told 30 mm below: what leans to +u there lies at -u here.
    turn, u, along = 2e-4, np.array([1.0, 0.0, 0.0]), np.array([0.0, 0.0, 1.0])
    angle, height = (a.ravel() for a in np.meshgrid(np.radians(np.arange(0.0, 360.0, 10.0)), np.arange(-5.0, 6.0)))
    points = np.column_stack([12.0 * np.cos(angle), 12.0 * np.sin(angle), height])
    held = Held(("a", "b"), turn**2 * np.eye(2), np.array([u, np.cross(along, u)]), "square to a face")
    exact = NoiseModel(1e-9, 1e-9, np.array([[1e-9, 0.0]]), "white")
    known, _ = weighed(Shape("cylinder", -30.0 * along, along, 12.0), points, None, exact, held=held)
    expected = turn**2 * np.array([[900.0, -30.0], [-30.0, 1.0]])
    for pair in (("u", "a"), ("v", "b")):
        assert block(known, pair) == pytest.approx(expected, rel=1e-3)
