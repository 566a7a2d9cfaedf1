"""What is done with placed parts: where they stand, whether they clear each other, how far they go, what they sweep."""

from __future__ import annotations

from pipeline.fitup.bodies import Body, Placed
from pipeline.fitup.clearance import Clearance, Fit, clearance
from pipeline.fitup.envelope import Envelope, Reached, Relief, envelope
from pipeline.fitup.items import Item
from pipeline.fitup.placing import Line, placed
from pipeline.fitup.travel import Motion, Run, Stop, Travel, TravelMap, travel
from pipeline.fitup.turned import turned_body
from pipeline.fitup.words import direction_in_words, item_in_words

__all__ = [
    "Body",
    "Clearance",
    "Envelope",
    "Fit",
    "Item",
    "Line",
    "Motion",
    "Placed",
    "Reached",
    "Relief",
    "Run",
    "Stop",
    "Travel",
    "TravelMap",
    "clearance",
    "direction_in_words",
    "envelope",
    "item_in_words",
    "placed",
    "travel",
    "turned_body",
]
