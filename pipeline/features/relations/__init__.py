"""What features have to do with each other: pairs, bolt circles and other patterns, coaxial groups, mid-planes."""

from __future__ import annotations

from pipeline.features.relations.exactness import meant, near
from pipeline.features.relations.hole_layouts import layout_sigma, rectangles, rings
from pipeline.features.relations.lines import span_of
from pipeline.features.relations.pairs import SAME_WAY, Apart, Idea, apart, ideas, relations
from pipeline.features.relations.patterns import SAME_DRILL, find_patterns
from pipeline.features.relations.piercing import mouth, pierces, reach_along

__all__ = [
    "SAME_DRILL",
    "SAME_WAY",
    "Apart",
    "Idea",
    "apart",
    "find_patterns",
    "ideas",
    "layout_sigma",
    "meant",
    "mouth",
    "near",
    "pierces",
    "reach_along",
    "rectangles",
    "relations",
    "rings",
    "span_of",
]
