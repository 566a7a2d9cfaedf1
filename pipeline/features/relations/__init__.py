"""What features have to do with each other: pairs, bolt circles and other patterns, coaxial groups, mid-planes."""

from __future__ import annotations

from pipeline.features.relations.pairs import relations
from pipeline.features.relations.patterns import (
    SAME_DRILL,
    circle_through,
    find_patterns,
    mouth,
    pierces,
    rectangles,
    rings,
)

__all__ = [
    "SAME_DRILL",
    "circle_through",
    "find_patterns",
    "mouth",
    "pierces",
    "rectangles",
    "relations",
    "rings",
]
