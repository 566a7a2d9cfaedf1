"""part.step: a closed solid whose recovered faces are exact and whose skin is coarse.

It needs the CAD kernel, so import this room only where a solid is wanted. `cuts` reads the solid again with the names
of its faces, and takes a tool's shape from it exactly.
"""

from __future__ import annotations

from pipeline.formats.solid.document import read_body
from pipeline.formats.solid.part import NAME, PartReport, make_part, shape_in_part, with_solid

__all__ = ["NAME", "PartReport", "make_part", "read_body", "shape_in_part", "with_solid"]
