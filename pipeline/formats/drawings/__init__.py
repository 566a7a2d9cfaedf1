"""Drawings of flanges at 1:1: `sheet_of` says what is drawn, and it is written as DXF and as a print.

The DXF and PDF libraries are imported with this room, so import it only where drawings are wanted.
"""

from __future__ import annotations

from pipeline.formats.drawings.dxf import write_dxf
from pipeline.formats.drawings.print_sheet import pages_for, write_print
from pipeline.formats.drawings.sheet import sheet_of

__all__ = ["pages_for", "sheet_of", "write_dxf", "write_print"]
