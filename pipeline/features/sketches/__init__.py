"""Outlines of flat faces as lines and arcs, and the holes in them."""

from __future__ import annotations

from pipeline.features.sketches.flanges import flanges_of
from pipeline.features.sketches.ground import prepare
from pipeline.features.sketches.offset import (
    Piece,
    corners_and_bulges,
    gap_between,
    offset,
    pieces_of,
    turned_back,
)

__all__ = [
    "Piece",
    "corners_and_bulges",
    "flanges_of",
    "gap_between",
    "offset",
    "pieces_of",
    "prepare",
    "turned_back",
]
