"""part.step: a closed solid whose recovered faces are exact and whose skin is coarse; and cuts of such a solid.

It needs the CAD kernel, so import this room only where a solid is wanted. `make_part` writes the solid of a run's light
mesh; `read_solid` reads it again with the names of its faces, `cut_away` takes what a tool sweeps from it exactly, and
`write_solid` writes what is left.
"""

from __future__ import annotations

from pipeline.formats.solid.checks import checked
from pipeline.formats.solid.cuts import (
    NamedBody,
    cut_away,
    faces_of,
    images_of,
    read_solid,
    write_solid,
)
from pipeline.formats.solid.document import Named, read_body
from pipeline.formats.solid.facets import body_of_shape
from pipeline.formats.solid.kept import KeptSolid, kept_solid, solid_again
from pipeline.formats.solid.part import NAME, PartReport, make_part, shape_in_part, with_solid

__all__ = [
    "NAME",
    "KeptSolid",
    "Named",
    "NamedBody",
    "PartReport",
    "body_of_shape",
    "checked",
    "cut_away",
    "faces_of",
    "images_of",
    "kept_solid",
    "make_part",
    "read_body",
    "read_solid",
    "shape_in_part",
    "solid_again",
    "with_solid",
    "write_solid",
]
