"""What is done with placed parts: where they stand, and whether they clear each other."""

from __future__ import annotations

from pipeline.fitup.bodies import Body, Placed
from pipeline.fitup.clearance import Clearance, Fit, clearance
from pipeline.fitup.placing import Line, placed
from pipeline.fitup.turned import turned_body
from pipeline.fitup.words import item_in_words

__all__ = ["Body", "Clearance", "Fit", "Line", "Placed", "clearance", "item_in_words", "placed", "turned_body"]
