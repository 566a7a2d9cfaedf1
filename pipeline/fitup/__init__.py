"""What is done with placed parts: where they stand, whether they clear each other, how far they go, what cuts leave."""

from __future__ import annotations

from pipeline.fitup.bodies import BY_HAND, Body, Placed, lacking
from pipeline.fitup.clearance import (
    EXPANDED,
    MOST_FITS,
    Clearance,
    Fit,
    Spot,
    clearance,
    fits_between,
    meant_between,
    spot_of,
)
from pipeline.fitup.cut_tools import Stroke
from pipeline.fitup.cuts import Cut, cut_part
from pipeline.fitup.envelope import Envelope, Reached, Relief, envelope
from pipeline.fitup.figures import plate_body, turned_body
from pipeline.fitup.interference import lies_within
from pipeline.fitup.items import Item, Key, about
from pipeline.fitup.placing import Line, Pose, placed
from pipeline.fitup.walls import MEASURED, NO_WALL, UNKNOWN, Walls, WallSpot, walls
from pipeline.fitup.words import (
    direction_in_words,
    features_in_words,
    item_in_words,
    item_on,
    item_where,
    part_in_words,
)

__all__ = [
    "BY_HAND",
    "EXPANDED",
    "MEASURED",
    "MOST_FITS",
    "NO_WALL",
    "UNKNOWN",
    "Body",
    "Clearance",
    "Cut",
    "Envelope",
    "Fit",
    "Item",
    "Key",
    "Line",
    "Placed",
    "Pose",
    "Reached",
    "Relief",
    "Spot",
    "Stroke",
    "WallSpot",
    "Walls",
    "about",
    "clearance",
    "cut_part",
    "direction_in_words",
    "envelope",
    "features_in_words",
    "fits_between",
    "item_in_words",
    "item_on",
    "item_where",
    "lacking",
    "lies_within",
    "meant_between",
    "part_in_words",
    "placed",
    "plate_body",
    "spot_of",
    "turned_body",
    "walls",
]
