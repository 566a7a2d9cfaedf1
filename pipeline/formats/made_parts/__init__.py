"""Made parts as files: exact solids with named faces, checked, and facets for printing.

It needs the CAD kernel, so import this room only where a made part is wanted.
"""

from __future__ import annotations

from pipeline.formats.made_parts.checks import lies_on
from pipeline.formats.made_parts.made import Solid, files_of, solid_of, standing, write_made

__all__ = ["Solid", "files_of", "lies_on", "solid_of", "standing", "write_made"]
