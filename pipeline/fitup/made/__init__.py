"""Parts that are made to what was recovered: what each is built of, and every figure that its maker needs."""

from __future__ import annotations

from pipeline.fitup.made.kinds import made
from pipeline.fitup.made.part import Budget, Figure, Gauge, MadePart, Seat, Share
from pipeline.fitup.made.sizes import Size
from pipeline.fitup.made.solids import (
    Lettering,
    Outline,
    Prism,
    Step,
    Turned,
    around_discs,
    circle,
    cylinder,
    frame,
    mirrored,
    volume_of,
)
from pipeline.fitup.made.words import Meant, meant_by

__all__ = [
    "Budget",
    "Figure",
    "Gauge",
    "Lettering",
    "MadePart",
    "Meant",
    "Outline",
    "Prism",
    "Seat",
    "Share",
    "Size",
    "Step",
    "Turned",
    "around_discs",
    "circle",
    "cylinder",
    "frame",
    "made",
    "meant_by",
    "mirrored",
    "volume_of",
]
