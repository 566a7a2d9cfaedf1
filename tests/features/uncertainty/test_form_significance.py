"""Form told from noise: against forms and noise that are known to the last bit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binom, chi2

from pipeline.features.fitting.least_squares import fit
from pipeline.features.uncertainty import FittedFace, form_seen, learn_noise, noise_without_form, range_of_noise
from pipeline.surfaces import Shape
from pipeline.values import NoiseModel
from sample_meshes.make_scan import Noise, noise_along_normal
from tests.features.faces import grid

UP = np.array([0.0, 0.0, 1.0])
FLAT = Shape("plane", np.zeros(3), UP)
WAVES = Noise(0.012, ((0.005, 2.5), (0.004, 25.0)))
TRUE = NoiseModel(0.012, 0.013, np.array([[0.012, 0.0], [0.005, 2.5], [0.004, 25.0]]), "the generator's own")


def face(width, edge, bow, seed, noise=WAVES):
    """(n, 3) of a square face bowed by `bow` mm over its width, and what the bow alone would be."""
    points, _, _ = grid(round(width / edge), edge, lambda x, y: 0.0 * x)
    height = bow * (1.0 - ((points[:, 0] - 0.5 * width) / (0.5 * width)) ** 2)
    along = noise_along_normal(points, noise, np.random.default_rng(seed))
    return points + (height + along)[:, None] * UP


def seen(points, noise):
    return form_seen(fit("plane", points, FLAT).shape, points, noise)


def test_noise_alone_is_taken_for_form_as_often_as_the_level_says():
    chances = np.array([seen(face(60.0, 1.5, 0.0, seed), TRUE).chance for seed in range(50)])
    # Of 50 tests at 20 % between these many come up, but once in a thousand.
    low, high = binom.ppf([0.0005, 0.9995], len(chances), 0.2)
    assert low <= np.sum(chances < 0.2) <= high
    # Fisher's sum of logarithms is chi-squared with twice as many degrees of freedom (scipy.stats as the reference).
    # Below it is what cells much wider than a wave overstate of it.
    fisher = -2.0 * np.sum(np.log(chances))
    assert fisher < chi2.ppf(0.999, 2 * len(chances))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_bow_of_60_um_over_150_mm_is_told(seed):
    found = seen(face(150.0, 2.0, 0.06, seed), TRUE)
    assert found.chance < 1e-6
    # Of a parabola of height h the means over sevenths of its width range over 36/49 h. Noise changes a range by no
    # more than its own, of which the figure is the mean and a quarter of it the standard deviation.
    assert found.of_means == pytest.approx(0.06 * 36 / 49, abs=1.5 * found.noise_of_means)
    assert found.noise_of_means < 0.02


@pytest.mark.parametrize("sense", [1.0, -1.0])
def test_spikes_are_no_form_whichever_way_they_point(sense):
    points = face(60.0, 1.5, 0.0, 4)
    spiked = points.copy()
    spiked[:12, 2] += 0.3 * sense  # all along one edge
    flat = fit("plane", points, FLAT).shape
    assert form_seen(flat, spiked, TRUE).chance == pytest.approx(form_seen(flat, points, TRUE).chance, abs=0.2)
    assert form_seen(flat, spiked, TRUE).of_means < 2.0 * form_seen(flat, points, TRUE).of_means


def test_a_bowed_face_is_judged_by_the_noise_of_the_others():
    """Its own bow passes for a long wave, where it is the largest face that the noise is learnt from."""
    points = [face(150.0, 2.0, 0.06, 5), *(face(width, 2.0, 0.0, 6 + i) for i, width in enumerate([90] * 4 + [60] * 4))]
    faces = [FittedFace(fit("plane", p, FLAT).shape, p) for p in points]
    learnt = learn_noise(faces, 0.012, 2.0)
    told = [form_seen(f.shape, f.points, noise_without_form(faces, learnt, 0.012, 2.0)).chance for f in faces]
    assert told[0] < 0.05 / len(faces)
    assert min(told[1:]) > 0.05 / len(faces)


def test_without_a_noise_model_or_points_nothing_is_told():
    points = face(60.0, 1.5, 0.0, 1)
    assert seen(points, None) is None
    assert seen(points, replace(TRUE, sigma_white=0.0)) is None
    assert form_seen(FLAT, points[:5], TRUE) is None


def test_the_range_of_noise_is_that_of_normal_values():
    rng = np.random.default_rng(1)
    seen = np.mean([np.ptp(rng.normal(0.0, 0.01, 500)) for _ in range(400)])
    assert range_of_noise(0.01, 500) == pytest.approx(seen, rel=0.02)
