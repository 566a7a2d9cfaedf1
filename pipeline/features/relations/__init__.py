"""What features have to do with each other: pairs, bolt circles and other patterns, coaxial groups, mid-planes."""

from __future__ import annotations

from pipeline.features.relations.hole_layouts import rectangles, rings
from pipeline.features.relations.pairs import relations
from pipeline.features.relations.patterns import SAME_DRILL, find_patterns
from pipeline.features.relations.piercing import mouth, pierces

__all__ = [
    "SAME_DRILL",
    "find_patterns",
    "mouth",
    "pierces",
    "rectangles",
    "relations",
    "rings",
]
