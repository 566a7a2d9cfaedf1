"""What is done with placed parts: where they stand, and whether they clear each other."""

from __future__ import annotations

from pipeline.fitup.bodies import Body, Placed
from pipeline.fitup.clearance import Clearance, Fit, clearance
from pipeline.fitup.items import Item
from pipeline.fitup.placing import Line, Pose, placed
from pipeline.fitup.rims import grown_labels
from pipeline.fitup.turned import turned_body
from pipeline.fitup.words import item_in_words

__all__ = [
    "Body",
    "Clearance",
    "Fit",
    "Item",
    "Line",
    "Placed",
    "Pose",
    "clearance",
    "grown_labels",
    "item_in_words",
    "placed",
    "turned_body",
]
