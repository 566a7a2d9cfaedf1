"""Tables of standards as data files, the source written in each, and what a measured size may be."""

from __future__ import annotations

from pipeline.standards.bushes import drill_bush, screw_hole
from pipeline.standards.fits import TIGHT_SEAT, WORN_SEAT
from pipeline.standards.suggest import suggest
from pipeline.standards.tables import angle_of, flatness
from pipeline.standards.tables import grade as tolerance

__all__ = [
    "TIGHT_SEAT",
    "WORN_SEAT",
    "angle_of",
    "drill_bush",
    "flatness",
    "screw_hole",
    "suggest",
    "tolerance",
]
