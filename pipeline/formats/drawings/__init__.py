"""Drawings of flanges at 1:1: `drawing_of` and `notes_of` say what is drawn, and it is written as DXF and as a print.

The DXF and PDF libraries are imported with this room, so import it only where drawings are wanted.
"""

from __future__ import annotations

from pipeline.formats.drawings.drawing import drawing_of, notes_of
from pipeline.formats.drawings.dxf import write_dxf
from pipeline.formats.drawings.print_sheet import sheet_for, write_print

__all__ = ["drawing_of", "notes_of", "sheet_for", "write_dxf", "write_print"]
