"""Holes in the scan and surface that may not be the part.

Lengths are mm, angles radians, directions unit vectors; points are in scan coordinates (after the unit conversion
of the read stage) unless a name says otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:  # only types: the compiler, which geometry brings along, takes a second to import
    from pipeline.geometry import Floats


if TYPE_CHECKING:
    from pipeline.job import Zone


@dataclass(frozen=True)
class Gap:
    """A boundary loop of the scan, what it was taken for and what was done.

    id             short and stable, as those of features
    kind           "face" (on a face or skin) | "edge" (across an edge) | "blind" (unseen end of a hole) |
                   "opening" (a real one) | "border" (outer border of an open scan) | "pepper" (tiny ones)
    centre         (3,) mm
    length, area   mm of its rim, mm2 that it spans
    rim_edges      how many edges its rim has
    features       ids of the features at its rim
    done           "closed" | "left open" | "capped"
    facets_filled, area_filled  how many facets were put in, and their mm2
    note           how it was closed, or why not
    proposed       why its closing is only proposed, in words; "" where it isn't
    count          how many gaps the row stands for: tiny ones, "pepper", are told as one, with their sums
    """

    id: str
    kind: str
    centre: Floats
    length: float
    area: float
    rim_edges: int
    features: tuple[str, ...]
    done: str
    facets_filled: int
    area_filled: float
    note: str = ""
    proposed: str = ""
    count: int = 1


@dataclass(frozen=True)
class Removal:
    """Something the clean stage took away or mended.

    what   what it was, in words
    count  how many facets, or how many times
    area   mm2 of it
    note   what else is to be said of it
    """

    what: str
    count: int
    area: float
    note: str = ""


@dataclass(frozen=True)
class Proposal:
    """A patch that looks as if it were not the part; nothing was cut for it.

    what    "plug" | "post" | "loose piece"
    centre  (3,) mm
    area    mm2 of the patch
    reason  why it looks so, in words
    zone    what to leave out, in scan coordinates: for `clean.exclude` of a job
    """

    what: str
    centre: Floats
    area: float
    reason: str
    zone: Zone
