"""Travel: how far a part can be moved, what ends that, and what would let it go farther."""

from __future__ import annotations

from pipeline.fitup.motions.motion import Motion
from pipeline.fitup.motions.stops import Stop
from pipeline.fitup.motions.travel import Run, Travel, TravelMap, travel
from pipeline.fitup.motions.what_if import Gain

__all__ = ["Gain", "Motion", "Run", "Stop", "Travel", "TravelMap", "travel"]
