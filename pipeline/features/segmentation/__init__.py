"""Finding machined faces: seeds, region growing, model selection, exact tessellations."""

from __future__ import annotations

from pipeline.features.segmentation.recovery import faces_of_scan, faces_of_tessellation

__all__ = [
    "faces_of_scan",
    "faces_of_tessellation",
]
