"""Outlines of flat faces as lines and arcs, and the holes in them."""

from __future__ import annotations

from pipeline.features.sketches.flanges import flanges_of
from pipeline.features.sketches.ground import prepare

__all__ = [
    "flanges_of",
    "prepare",
]
