"""Three reference balls of 20 mm as a scan without facets shows them, a little too large in their fits."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.features.joining import Scene, SetUp
from pipeline.values import Extent, Feature, Form, NoiseModel, Surface, Uncertainty

CENTRES = np.array([[0.0, 0.0, 0.0], [80.0, 0.0, 0.0], [10.0, 50.0, 5.0]])


def scan_of_balls(order: Sequence[int] = (0, 1, 2), shift: float = 0.0, centres: np.ndarray = CENTRES) -> SetUp:
    """Balls in some order, shifted along x; each covariance ties w to the radius, as that of a cap does."""
    covariance = np.diag([1e-6, 1e-6, 4e-6, 4e-6])
    covariance[2, 3] = covariance[3, 2] = -3.5e-6
    known = Uncertainty(0.002, None, 0.002, "made", ("u", "v", "w", "r"), covariance, np.eye(3)[:2])
    balls = tuple(
        Feature(
            f"B{k + 1}", "sphere", "boss", centres[k] + [shift, 0.0, 0.0], None, 10.004, known,
            Form(0.0, 0.0, 1.0, "none"), Extent(100.0, 9),
        )
        for k in order
    )  # fmt: skip
    surface = Surface.measured(np.eye(3), [[0, 1, 2]])
    noise = NoiseModel(0.012, 0.012, np.array([[0.012, 0.0]]), "made")
    return SetUp(surface, np.full(1, 0, np.int32), balls, Scene(()), noise)
