"""What is done with placed parts: where they stand, and whether they clear each other."""

from __future__ import annotations

from pipeline.fitup.bodies import Body, Placed
from pipeline.fitup.clearance import Clearance, Fit, Spot, Term, clearance
from pipeline.fitup.items import Item, Move
from pipeline.fitup.placing import Left, Line, Pose, placed
from pipeline.fitup.turned import turned_body
from pipeline.fitup.words import item_in_words

__all__ = [
    "Body",
    "Clearance",
    "Fit",
    "Item",
    "Left",
    "Line",
    "Move",
    "Placed",
    "Pose",
    "Spot",
    "Term",
    "clearance",
    "item_in_words",
    "placed",
    "turned_body",
]
