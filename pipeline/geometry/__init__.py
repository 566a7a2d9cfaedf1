"""Plain geometry that belongs to no surface and no mesh."""

from __future__ import annotations

from pipeline.geometry.arrays import Floats, Indices, Ints, Mask
from pipeline.geometry.box import box_of
from pipeline.geometry.linear_solve import eliminate

__all__ = [
    "Floats",
    "Indices",
    "Ints",
    "Mask",
    "box_of",
    "eliminate",
]
