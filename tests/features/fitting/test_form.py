from __future__ import annotations

import numpy as np
import pytest

from pipeline.features.fitting.form import chebyshev, form_of, minimum_zone
from pipeline.features.fitting.least_squares import fit
from pipeline.features.uncertainty.propagation import weighed
from pipeline.surfaces.shape import Shape
from pipeline.values import NoiseModel
from tests.features.faces import points_on, scanned, waves

Z = np.array([0, 0, 1.0])
PARTS = [(0.008, 2.5), (0.005, 25.0)]
NOISE = NoiseModel(0.012, 0.015, np.array([[0.012, 0.0], *PARTS]), "known")


@pytest.mark.parametrize(
    ("shape", "size", "standard"),
    [
        (Shape("plane", np.zeros(3), Z), (60.0, 40.0), "flatness"),
        (Shape("cylinder", np.zeros(3), Z, 15.0), (2 * np.pi, 25.0), "cylindricity"),
    ],
)
def test_noise_share_is_what_noise_alone_does(shape, size, standard):
    rng = np.random.default_rng(1)
    points = points_on(rng, shape, size, 1.0)
    peaks, stated = [], []
    for _ in range(12):
        along = waves(rng, PARTS, 120)(points) + rng.normal(0, 0.012, len(points))
        noisy = scanned(shape, points, along)
        result = fit(shape.kind, noisy, shape, robust=False)
        form = form_of(result.shape, noisy, result.residuals, weighed(result.shape, noisy, None, NOISE)[1])
        assert form.standard == standard
        assert form.minimum_zone <= form.peak_to_valley
        peaks.append(form.peak_to_valley)
        stated.append(form.noise_share)
    assert np.mean(stated) == pytest.approx(np.mean(peaks), rel=0.1)


def test_cone_sphere_and_torus_have_form():
    rng = np.random.default_rng(2)
    turn, z = rng.uniform(0, 2 * np.pi, 3000), rng.uniform(-5, 5, 3000)
    radius = 20 + z * np.tan(0.4)
    cone = Shape("cone", np.zeros(3), Z, 20.0, 0.4)
    ball = Shape("sphere", np.zeros(3), None, 9.0)
    ring = Shape("torus", np.zeros(3), Z, 3.0, major_radius=30.0)
    away = rng.normal(size=(3000, 3))
    tube = 30 + 3 * np.cos(z)
    clouds = [
        (cone, np.column_stack([radius * np.cos(turn), radius * np.sin(turn), z])),
        (ball, 9 * away / np.linalg.norm(away, axis=1, keepdims=True)),
        (ring, np.column_stack([tube * np.cos(turn), tube * np.sin(turn), 3 * np.sin(z)])),
    ]
    for shape, points in clouds:
        noisy = scanned(shape, points, rng.uniform(-0.01, 0.01, len(points)))
        result = fit(shape.kind, noisy, shape, robust=False)
        form = form_of(result.shape, noisy, result.residuals)
        assert form.standard == "form"
        assert form.minimum_zone == pytest.approx(0.02, rel=0.01)
        assert form.minimum_zone <= form.peak_to_valley
        assert (form.roundness is not None) == (shape.kind == "cone")


def test_rotation_changes_nothing():
    rng = np.random.default_rng(3)
    shape = Shape("cylinder", np.zeros(3), Z, 15.0)
    points = scanned(shape, points_on(rng, shape, (2 * np.pi, 25.0), 1.0), rng.normal(0, 0.01, 2356))
    turn = np.linalg.qr(rng.normal(size=(3, 3)))[0]
    here = minimum_zone(fit("cylinder", points).shape, points)
    there = minimum_zone(fit("cylinder", points @ turn + 70).shape, points @ turn + 70)
    assert there == pytest.approx(here, rel=1e-7)


def test_half_a_bore_has_no_roundness():
    rng = np.random.default_rng(4)
    shape = Shape("cylinder", np.zeros(3), Z, 15.0)
    points = points_on(rng, shape, (np.pi, 25.0), 0.8)
    form = form_of(shape, scanned(shape, points, rng.normal(0, 0.01, len(points))))
    assert form.roundness is None
    assert form.straightness is None
    assert form.noise_share is None


def test_too_few_points_fill_no_zone():
    plane = Shape("plane", np.zeros(3), Z)
    assert minimum_zone(plane, np.eye(3)) == 0.0
    assert chebyshev(np.ones((3, 3)), np.zeros(3)) is None
    assert chebyshev(np.column_stack([np.ones(9), 2 * np.ones(9)]), np.arange(9.0)) is None
