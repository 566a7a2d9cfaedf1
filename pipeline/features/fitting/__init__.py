"""Orthogonal least squares, form by ISO definition, fits under a constraint, coating taken off."""

from __future__ import annotations

from pipeline.features.fitting.coating import without_coating
from pipeline.features.fitting.constrained_fit import Refitted, refitted, targets
from pipeline.features.fitting.form import form_of
from pipeline.features.fitting.least_squares import TUKEY, fit
from pipeline.features.fitting.piece import Piece

__all__ = [
    "TUKEY",
    "Piece",
    "Refitted",
    "fit",
    "form_of",
    "refitted",
    "targets",
    "without_coating",
]
