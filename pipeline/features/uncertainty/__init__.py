"""The scan's noise, white and correlated, and the standard uncertainty that it leaves in a fitted surface."""

from __future__ import annotations

from pipeline.features.uncertainty.noise_model import FittedFace, learn_noise
from pipeline.features.uncertainty.propagation import SHORT_ARC, Held, block, weighed
from pipeline.features.uncertainty.white_noise import resolution, short_range_sigma, white_sigma

__all__ = [
    "SHORT_ARC",
    "FittedFace",
    "Held",
    "block",
    "learn_noise",
    "resolution",
    "short_range_sigma",
    "weighed",
    "white_sigma",
]
