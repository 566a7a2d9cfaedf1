"""Scattered points of a scanned surface made into facets, none moved."""

from __future__ import annotations

from pipeline.mesh.points.triangulation import triangulated

__all__ = ["triangulated"]
