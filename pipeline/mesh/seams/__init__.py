"""Meshes of one surface put together: of each place the facets of one of them, bridged along the seams."""

from __future__ import annotations

from pipeline.mesh.seams.stitching import Stitched, seam_middles, stitched
from pipeline.mesh.seams.surroundings import surroundings

__all__ = ["Stitched", "seam_middles", "stitched", "surroundings"]
