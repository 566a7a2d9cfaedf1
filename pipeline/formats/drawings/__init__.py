"""Drawings at 1:1: `sheet_of` a flange, `section_of` the part along its main axis; written as DXF, as a print, as SVG.

The DXF and PDF libraries are imported with this room, so import it only where drawings are wanted.
"""

from __future__ import annotations

from pipeline.formats.drawings.cut import Body
from pipeline.formats.drawings.dxf import write_dxf
from pipeline.formats.drawings.items import Item, Line, Polyline, Text
from pipeline.formats.drawings.print_sheet import pages_for, write_print
from pipeline.formats.drawings.section import section_of
from pipeline.formats.drawings.sheet import sheet_of
from pipeline.formats.drawings.svg import svg_of

__all__ = [
    "Body",
    "Item",
    "Line",
    "Polyline",
    "Text",
    "pages_for",
    "section_of",
    "sheet_of",
    "svg_of",
    "write_dxf",
    "write_print",
]
