"""Finding machined faces: seeds, region growing, model selection, exact tessellations."""

from __future__ import annotations

from pipeline.features.segmentation.extraction import extent_of
from pipeline.features.segmentation.recovery import faces_of_scan, faces_of_tessellation

__all__ = [
    "extent_of",
    "faces_of_scan",
    "faces_of_tessellation",
]
