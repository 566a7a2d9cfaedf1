"""Tables of standards as data files, the source written in each, and what a measured size may be."""

from __future__ import annotations

from pipeline.standards.bushes import dowel_up_to, drill_bush, screw_hole
from pipeline.standards.fits import TIGHT_SEAT, WORN_SEAT
from pipeline.standards.measured_fits import (
    MeasuredFit,
    clearance_words,
    counterpart,
    measured_fit,
    share_words,
)
from pipeline.standards.parts import Bearing, BoltHole, bearing, bolt_hole, position_tolerance
from pipeline.standards.press import FRICTION, material, press_fit
from pipeline.standards.static_glands import StaticGland, static_gland
from pipeline.standards.suggest import suggest
from pipeline.standards.tables import angle_of, flatness
from pipeline.standards.tables import grade as tolerance

__all__ = [
    "FRICTION",
    "TIGHT_SEAT",
    "WORN_SEAT",
    "Bearing",
    "BoltHole",
    "MeasuredFit",
    "StaticGland",
    "angle_of",
    "bearing",
    "bolt_hole",
    "clearance_words",
    "counterpart",
    "dowel_up_to",
    "drill_bush",
    "flatness",
    "material",
    "measured_fit",
    "position_tolerance",
    "press_fit",
    "screw_hole",
    "share_words",
    "static_gland",
    "suggest",
    "tolerance",
]
