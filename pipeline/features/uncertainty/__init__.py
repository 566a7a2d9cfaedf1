"""The scan's noise, white and correlated, and the standard uncertainty that it leaves in a fitted surface."""

from __future__ import annotations

from pipeline.features.uncertainty.noise import FittedFace, learn_noise, resolution, short_wave, white_sigma
from pipeline.features.uncertainty.propagation import SHORT_ARC, Held, block, weighed

__all__ = [
    "SHORT_ARC",
    "FittedFace",
    "Held",
    "block",
    "learn_noise",
    "resolution",
    "short_wave",
    "weighed",
    "white_sigma",
]
