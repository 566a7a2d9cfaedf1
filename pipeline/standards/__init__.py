"""Tables of standards as data files, the source written in each, and what a measured size may be."""

from __future__ import annotations

from pipeline.standards.suggest import suggest
from pipeline.standards.tables import angle_of

__all__ = ["angle_of", "suggest"]
