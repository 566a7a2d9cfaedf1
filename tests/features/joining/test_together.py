"""A face that two set-ups saw lies where the mean of both, each weighed by its noise, puts it.

Covers: pipeline.features.joining.together

Truth: the mean weighed by 1 / sigma^2 (Bevington and Robinson, Data Reduction and Error Analysis, 3rd ed. 2003, 4.1,
from memory).
"""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.features.joining import Laid, Scene, SetUp, fitted_together
from pipeline.values import NoiseModel, Surface
from tests.features.faces import grid
from tests.features.made import plane


def set_up(height: float, sigma: float, seed: int) -> Laid:
    """A scan of a face of 40 mm at some height, with white noise of no mean, laid where it lies."""
    vertices, faces, _ = grid(40, 1.0, lambda x, y: 0.0 * x + height)
    noise = np.random.default_rng(seed).normal(0.0, sigma, len(vertices))
    vertices[:, 2] += noise - noise.mean()
    surface = Surface.measured(vertices, faces)
    face = plane("F1", vertices.mean(axis=0), (0, 0, 1), area=1600.0)
    model = NoiseModel(sigma, sigma, np.array([[sigma, 0.0]]), "white noise alone")
    return Laid(SetUp(surface, np.zeros(len(faces), np.int32), (face,), Scene(()), model), np.eye(4), None)


@pytest.mark.parametrize(("rough", "step"), [(0.01, 0.005), (0.015, 0.006), (0.02, 0.01)])
def test_a_rough_scan_pulls_a_face_no_more_than_its_noise_lets_it(rough: float, step: float) -> None:
    fine = 0.005
    (found,) = fitted_together([set_up(0.0, fine, 1), set_up(step, rough, 2)], [[(0, 0), (1, 0)]])
    face = found.feature
    height = face.point[2] + (face.point - 19.5)[:2] @ face.direction[:2] / face.direction[2]
    # Points far off count less than in the mean, and these are the rough scan's: so it is the most that it may pull.
    assert 0.0 < float(height) <= step * rough**-2 / (fine**-2 + rough**-2)
