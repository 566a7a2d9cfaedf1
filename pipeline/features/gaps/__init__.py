"""Openings of the scan told apart, and the surface that closes them."""

from __future__ import annotations

from pipeline.features.gaps.closing import outward_signs, plain_ways, rims_of, ways_to_cap, ways_to_close
from pipeline.features.gaps.layout import HolePatch, Surroundings
from pipeline.features.gaps.openings import Band, Opening, band_of, find_rims, is_pepper, name_gaps
from pipeline.features.gaps.passages import Behind, Verdict, judge

__all__ = [
    "Band",
    "Behind",
    "HolePatch",
    "Opening",
    "Surroundings",
    "Verdict",
    "band_of",
    "find_rims",
    "is_pepper",
    "judge",
    "name_gaps",
    "outward_signs",
    "plain_ways",
    "rims_of",
    "ways_to_cap",
    "ways_to_close",
]
