"""What is done with placed parts: where they stand, whether they clear each other, what cuts take and leave."""

from __future__ import annotations

from pipeline.fitup.bodies import Body, Placed
from pipeline.fitup.clearance import Clearance, Fit, Spot, clearance
from pipeline.fitup.cut_tools import Stroke
from pipeline.fitup.cuts import Cut, cut_part
from pipeline.fitup.placing import Line, placed
from pipeline.fitup.turned import turned_body
from pipeline.fitup.walls import Walls, WallSpot, walls
from pipeline.fitup.words import item_in_words, item_on

__all__ = [
    "Body",
    "Clearance",
    "Cut",
    "Fit",
    "Line",
    "Placed",
    "Spot",
    "Stroke",
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
