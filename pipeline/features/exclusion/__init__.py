"""What is not the part: zones that the job names, foreign geometry that is proposed, what lies inside a bore."""

from __future__ import annotations

from pipeline.features.exclusion.bore_clearing import without_inside
from pipeline.features.exclusion.foreign_geometry import propose
from pipeline.features.exclusion.zones import inside

__all__ = [
    "inside",
    "propose",
    "without_inside",
]
