"""part.step: a closed solid whose recovered faces are exact and whose skin is coarse."""

from __future__ import annotations

from pipeline.formats.solid.part import NAME, PartReport, make_part, with_solid

__all__ = ["NAME", "PartReport", "make_part", "with_solid"]
