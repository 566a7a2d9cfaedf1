"""Parts that are made to what was recovered: what each is built of, and every figure that its maker needs."""

from __future__ import annotations

from pipeline.fitup.made.kinds import made
from pipeline.fitup.made.part import Budget, Figure, MadePart, Share, Size
from pipeline.fitup.made.solids import Lettering, Outline, Prism, Step, Turned, circle
from pipeline.fitup.made.split import on_bed

__all__ = [
    "Budget",
    "Figure",
    "Lettering",
    "MadePart",
    "Outline",
    "Prism",
    "Share",
    "Size",
    "Step",
    "Turned",
    "circle",
    "made",
    "on_bed",
]
