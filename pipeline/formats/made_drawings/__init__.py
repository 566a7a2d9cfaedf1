"""Drawings of made parts at 1:1, for turning and cutting: DXF with dimensions, and PDF."""

from __future__ import annotations

from pipeline.formats.made_drawings.sheet import drawing_files, write_made_drawing

__all__ = ["drawing_files", "write_made_drawing"]
