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

    kind    "face" (on a face or skin) | "edge" (across an edge) | "blind" (unseen end of a hole) |
            "opening" (a real one) | "border" (outer border of an open scan)
    done    "closed" | "left open" | "capped"
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


@dataclass(frozen=True)
class Removal:
    """Something the clean stage took away or mended."""

    what: str
    count: int
    area: float
    note: str = ""


@dataclass(frozen=True)
class Proposal:
    """A patch that looks as if it were not the part; `zone` is what to leave out, in scan coordinates."""

    what: str
    centre: Floats
    area: float
    reason: str
    zone: Zone
