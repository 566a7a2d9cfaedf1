"""Orthogonal least squares, form by ISO definition, fits under a constraint, checks against measured sizes."""

from __future__ import annotations

from pipeline.features.fitting.calipers import check_calipers, without_coating
from pipeline.features.fitting.constrained_fit import Refitted, refitted, targets
from pipeline.features.fitting.form import form_of
from pipeline.features.fitting.least_squares import TUKEY, fit
from pipeline.features.fitting.piece import Piece

__all__ = [
    "TUKEY",
    "Piece",
    "Refitted",
    "check_calipers",
    "fit",
    "form_of",
    "refitted",
    "targets",
    "without_coating",
]
