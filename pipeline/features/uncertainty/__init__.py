"""The scan's noise, white and correlated, and the standard uncertainty that it leaves in a fitted surface."""

from __future__ import annotations

from pipeline.features.uncertainty.combined import Parts, all_known, combined_covariance, sum_of
from pipeline.features.uncertainty.form_significance import form_seen, noise_without_form, range_of_noise
from pipeline.features.uncertainty.noise_model import FittedFace, learn_noise
from pipeline.features.uncertainty.propagation import (
    SHORT_ARC,
    Held,
    block,
    carried_in_parts,
    carried_through,
    components_of,
    weighed,
)
from pipeline.features.uncertainty.scale import with_scale, without_scale
from pipeline.features.uncertainty.several_scans import Share, posed_too, weighed_together
from pipeline.features.uncertainty.significance import CORRECTION, LEVEL, chance, holm
from pipeline.features.uncertainty.white_noise import resolution, short_range_sigma, white_sigma

__all__ = [
    "CORRECTION",
    "LEVEL",
    "SHORT_ARC",
    "FittedFace",
    "Held",
    "Parts",
    "Share",
    "all_known",
    "block",
    "carried_in_parts",
    "carried_through",
    "chance",
    "combined_covariance",
    "components_of",
    "form_seen",
    "holm",
    "learn_noise",
    "noise_without_form",
    "posed_too",
    "range_of_noise",
    "resolution",
    "short_range_sigma",
    "sum_of",
    "weighed",
    "weighed_together",
    "white_sigma",
    "with_scale",
    "without_scale",
]
