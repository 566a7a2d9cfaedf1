"""Drawings at 1:1: `sheet_of` a flange, `section_of` the part along its main axis; written as DXF, as a print, as SVG.

The DXF and PDF libraries are imported with this room, so import it only where drawings are wanted.
"""

from __future__ import annotations

from pipeline.formats.drawings.cut import Body, hatched
from pipeline.formats.drawings.dimensions import diameter, linear
from pipeline.formats.drawings.dxf import write_dxf
from pipeline.formats.drawings.items import (
    CENTRE,
    DIMENSIONS,
    HATCH,
    HOLES,
    OPENINGS,
    OUTLINE,
    PITCH,
    SECTION,
    SPIGOTS,
    Arc,
    Circle,
    Dimension,
    Item,
    Line,
    Place,
    Polyline,
    Text,
    bounds,
    length_of,
    shifted,
)
from pipeline.formats.drawings.print_sheet import pages_for, write_print
from pipeline.formats.drawings.room import Room
from pipeline.formats.drawings.section import section_of
from pipeline.formats.drawings.sheet import PAPER, WIDTH, Drawn, in_lines, noted, ruled, sheet_of, title_block
from pipeline.formats.drawings.svg import svg_of

__all__ = [
    "CENTRE",
    "DIMENSIONS",
    "HATCH",
    "HOLES",
    "OPENINGS",
    "OUTLINE",
    "PAPER",
    "PITCH",
    "SECTION",
    "SPIGOTS",
    "WIDTH",
    "Arc",
    "Body",
    "Circle",
    "Dimension",
    "Drawn",
    "Item",
    "Line",
    "Place",
    "Polyline",
    "Room",
    "Text",
    "bounds",
    "diameter",
    "hatched",
    "in_lines",
    "length_of",
    "linear",
    "noted",
    "pages_for",
    "ruled",
    "section_of",
    "sheet_of",
    "shifted",
    "svg_of",
    "title_block",
    "write_dxf",
    "write_print",
]
