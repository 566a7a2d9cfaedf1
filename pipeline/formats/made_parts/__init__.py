"""Made parts as files: exact solids with named faces, checked, and facets for printing.

It needs the CAD kernel, so import this room only where a made part is wanted.
"""

from __future__ import annotations

from pipeline.formats.made_parts.build import built
from pipeline.formats.made_parts.checks import lies_on, thinnest
from pipeline.formats.made_parts.letters import width_of
from pipeline.formats.made_parts.made import Solid, files_of, made_up, solid_of, standing, write_made

__all__ = [
    "Solid",
    "built",
    "files_of",
    "lies_on",
    "made_up",
    "solid_of",
    "standing",
    "thinnest",
    "width_of",
    "write_made",
]
