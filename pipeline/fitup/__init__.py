"""What is done with placed parts: where they stand, whether they clear each other, what cuts take and leave."""

from __future__ import annotations

from pipeline.fitup.bodies import PLANNED, Body, Placed
from pipeline.fitup.clearance import Clearance, Fit, Spot, Term, clearance
from pipeline.fitup.cut_tools import Stroke
from pipeline.fitup.cuts import Changed, Cut, Opening, cut_part
from pipeline.fitup.placing import Line, placed
from pipeline.fitup.turned import turned_body
from pipeline.fitup.walls import Sounding, Walls, WallSpot, walls
from pipeline.fitup.words import item_in_words, item_on

__all__ = [
    "PLANNED",
    "Body",
    "Changed",
    "Clearance",
    "Cut",
    "Fit",
    "Line",
    "Opening",
    "Placed",
    "Sounding",
    "Spot",
    "Stroke",
    "Term",
    "WallSpot",
    "Walls",
    "clearance",
    "cut_part",
    "item_in_words",
    "item_on",
    "placed",
    "turned_body",
    "walls",
]
