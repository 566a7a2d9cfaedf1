"""Plain geometry that belongs to no surface and no mesh."""

from __future__ import annotations

from pipeline.geometry.arrays import Bytes, Floats, Indices, Ints, Longs, Mask, Point, Shorts, Singles
from pipeline.geometry.box import box_of
from pipeline.geometry.linear_solve import eliminate

__all__ = [
    "Bytes",
    "Floats",
    "Indices",
    "Ints",
    "Longs",
    "Mask",
    "Point",
    "Shorts",
    "Singles",
    "box_of",
    "eliminate",
]
