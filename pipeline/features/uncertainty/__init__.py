"""The scan's noise, white and correlated, and the standard uncertainty that it leaves in a fitted surface."""

from __future__ import annotations

from pipeline.features.uncertainty.form_significance import chance_of_form, noise_without_form
from pipeline.features.uncertainty.noise_model import FittedFace, learn_noise
from pipeline.features.uncertainty.propagation import SHORT_ARC, Held, block, weighed
from pipeline.features.uncertainty.significance import CORRECTION, LEVEL, chance, holm
from pipeline.features.uncertainty.white_noise import resolution, short_range_sigma, white_sigma

__all__ = [
    "CORRECTION",
    "LEVEL",
    "SHORT_ARC",
    "FittedFace",
    "Held",
    "block",
    "chance",
    "chance_of_form",
    "holm",
    "learn_noise",
    "noise_without_form",
    "resolution",
    "short_range_sigma",
    "weighed",
    "white_sigma",
]
