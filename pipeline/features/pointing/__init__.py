"""Which feature a point in a job means: the nearest, unless another is nearly as near or none is near."""

from __future__ import annotations

from pipeline.features.pointing.nearest import Pointed, is_far, meant, ranked

__all__ = ["Pointed", "is_far", "meant", "ranked"]
